"""Captures: what went over a port, kept in a file, read again, counted and played back.

The file is pcapng (draft-ietf-opsawg-pcapng, "PCAP Now Generic"), link type 147 (USER0), times in ns, so that common
tools open it. What becomes a packet:

* **A frame**: its bytes with both delimiters, sent or heard, good or bad. The delimiters that belong to no frame stand
  in a packet of their own.
* **A run** of bytes that is in no frame: noise, a stuck line, answers that collided; at most 256 of them.
* **A single byte** where a query was answered with such (a member list, a brief match): each answer is a packet.

The direction stands in ``epb_flags``. A good frame has no error bit; a bad one has "CRC error" (check), "packet too
short", "packet too long" or "symbol error" (a good check around what is no frame), a run has "start frame delimiter
error". A comment says in words what is bad, and where several actuators answered one request.

A port whose line echoes brings each request back. An echo that is exactly as it was sent stands on the second
interface, named "echo"; all that was heard otherwise, and all that was sent, on the first, named "line". So the
heard packets of both, in order, are the stream of bytes that came in, and a reader who leaves out the echoes sees each
frame once.

A sent packet carries the time at which the line could begin to carry it, a heard one that at which its last byte had
come in: by the port's clock, in which 0 is 1970 for a virtual one. Bytes are handed to the system packet by packet: a
program that is killed leaves all packets but the one it was in.
"""

__all__ = [
    "decoding",
    "pcapng",
    "pieces",
    "recorder",
    "replay",
    "statistics",
]
