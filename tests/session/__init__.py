"""The request and reply machine, driven by hand with bytes and times."""
