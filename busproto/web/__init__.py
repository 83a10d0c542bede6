"""The bench page: one bus, one worker, any number of browsers on this machine.

`live_bus` (a virtual bus in real time) or a port -> `tap` (what goes over it) -> `bench` (the worker: polls, demands,
runs `flows`; nobody else touches the bus) -> `hub` (who looks and who operates, bounded queues) -> `app` (checks,
pages, WebSocket) -> `serving` (uvicorn). `flows` are the guided tasks over `busproto.ops` and `busproto.plan`;
`lessons` has those of `busproto.lessons` computed in a process beside.
"""
