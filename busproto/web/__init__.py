"""The bench page: one bus, one worker, any number of browsers on this machine.

`bus` (a port, the traffic on it, and the state of the actuators from that) -> `worker` (polls, demands, runs `flows`;
no other thread touches the bus) -> `server` (the pages that look and the page that operates, bounded queues; checks,
files, WebSocket) -> `serving` (puts them together with uvicorn and the table of flows). `orders` are the messages that
a page may send. `static` is the page itself; `server.lessons` has lessons computed in another process.
"""
