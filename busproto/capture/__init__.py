"""Captures: the bytes that went over a port, recorded in a file, read, counted and replayed.

The file is pcapng (draft-ietf-opsawg-pcapng, "PCAP Now Generic"), link type 147 (USER0), times in ns, so that common
tools open it. A packet is one of these:

* **A frame**: its bytes with both delimiters, sent or received, good or bad. Delimiters that belong to no frame are a
packet of their own.
* **A run** of bytes outside a frame: noise, a stuck line, answers that collided; at most 256 bytes.
* **A single byte** after a query that is answered with single bytes (a member list, a brief prefix query): each answer
is a packet.

The direction is in ``epb_flags``. A good frame has no error bit. A bad frame has "CRC error" (check), "packet too
short", "packet too long" or "symbol error" (a good check, but not a frame); a run has "start frame delimiter error". A
comment gives the error in words, and tells where several actuators answered one request.

On a line with echo each request is received again. An echo that is exactly as sent is on the second interface, named
"echo"; all other received packets, and all sent ones, are on the first, named "line". So the received packets of both,
in order, are the received byte stream, and without the echoes each frame appears once.

The time of a sent packet is the earliest at which the line could carry it, that of a received packet the time at which
its last byte was read: by the port's clock, in which 0 is 1970 for a virtual port. Packets are handed to the system one
by one: a program that is killed loses only the packet it was writing.
"""

__all__ = [
    "decoding",
    "pcapng",
    "pieces",
    "recorder",
    "replay",
    "statistics",
]
