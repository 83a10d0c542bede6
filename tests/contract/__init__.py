"""The contract of a transport, held against every transport; ports that vanish; the virtual bus as a server."""
