"""The bench page: one bus, one worker, any number of browsers on this machine.

`bus` (a port, what passes over it, and what that says) -> `worker` (polls, demands, runs `flows`; no other thread
touches the bus) -> `server` (which pages look and which one operates, bounded queues; checks, files, WebSocket) ->
`serving` (puts them together with uvicorn and the table of flows). `orders` are what a page may say. `static` is the
page itself; `server.lessons` has lessons computed in a process beside.
"""
