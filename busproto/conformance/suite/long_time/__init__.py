"""Cases of times: wraps of the clock and of counters, idle hours, what stored memory keeps."""
