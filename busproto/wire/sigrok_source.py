"""A stacked decoder for the open logic analyser framework (libsigrokdecode, API 3), on top of its UART decoder.

Made from the same tables as the dissector (`busproto.wire.lua_source.tables`); it cuts the stream as
`busproto.capture.pieces.Splitter` does and tells the same fields with the same text, each above the bits of the line
that it was read from.
"""

from __future__ import annotations

import pprint
from typing import Any, Final

from busproto.wire.lua_source import tables

DECODER_NAME: Final = "busproto"
"""Name of the decoder, and of the directory that its files go into."""


def sigrok_files() -> dict[str, str]:
    """The files of the decoder by name; they belong into a directory `DECODER_NAME` among the user's decoders."""
    data: dict[str, Any] = tables()
    literal = pprint.pformat(data, width=118, compact=True, sort_dicts=False)
    return {"__init__.py": _INIT, "pd.py": _HEAD + f"T = {literal}\n" + _WALK}


_INIT: Final = '''\
"""
Frames of the actuator bus, on top of the UART decoder: requests, replies, fields, checks; bytes that are in no frame.

Printed by 'busproto spec' from the definitions that the code runs on; do not edit.
"""

from .pd import Decoder
'''

_HEAD: Final = '''\
"""Printed by 'busproto spec' from the definitions that the code runs on; do not edit."""

import sigrokdecode as srd

'''

_WALK: Final = '''

HEADER, FIELD, CHECK, TITLE, BYTE, PROBLEM = range(6)
RUN_BYTES = 256
QUIET_BYTES = 20


def check_of(encoded):
    """The five check bytes over the bytes as sent."""
    crc, zeros = 0xFFFFFF, 0
    for byte in encoded:
        crc = crc >> 8 ^ T["crc"][(crc ^ byte) & 0xFF]
        zeros += 8 - bin(byte).count("1")
    value = (crc ^ 0xFFFFFF) | zeros << 24
    return bytes(value >> 7 * number & 0x7F | 0x80 for number in range(T["check_bytes"]))


def body_of(encoded):
    """The body with its zero bytes put back, None where the run lengths do not add up."""
    body, at = bytearray(encoded), 0
    while at < len(body):
        run, body[at] = body[at], 0
        at += run
    return bytes(body[1:]) if at == len(body) else None


def unframe(chunk):
    """(why it is no frame, None), or ("", body)."""
    if len(chunk) < T["min_chunk"]:
        return "too short", None
    if len(chunk) > T["max_chunk"]:
        return "too long", None
    encoded, check = chunk[: -T["check_bytes"]], chunk[-T["check_bytes"] :]
    if check != check_of(encoded):
        return "check", None
    body = body_of(encoded)
    if body is None:
        return "content", None
    size = T["header_bytes"] + (T["tag_bytes"] if body[0] >> 4 & 1 else 0)
    if (
        body[0] >> 5 != T["version"]
        or body[0] & 0x0F
        or body[1] > T["max_payload"]
        or (body[2] > T["last_address"] and body[2] != T["everyone"])
        or body[3] > T["last_address"]
        or len(body) != size + body[1]
    ):
        return "content", None
    return "", body


def number_of(raw, signed):
    return int.from_bytes(raw, "little", signed=signed)


def number_text(f, value):
    if f["flags"]:
        words = [word for bit, word, _ in f["flags"] if value & bit]
        return "%d %s" % (value, ", ".join(words) or "none")
    if value in f["words"]:
        return "%d %s" % (value, f["words"][value])
    if value == f.get("also"):
        return "%d none" % value
    if f["unit"]:
        return "%.*f %s" % (f["digits"], value * f["times"] / f["by"], f["unit"])
    return str(value)


def is_good_number(f, value):
    if f["closed"] and value not in f["words"]:
        return False
    return f["low"] <= value <= f["high"] or value == f.get("also")


def is_good_text(raw):
    text = raw.rstrip(b"\\0")
    return all(0x20 <= byte <= 0x7E for byte in text)


def pieces_of(row, payload):
    """(field, at, size) of each field of a payload that fits the message row, else None."""
    found, at = [], 0
    if row["outcome"]:
        if payload[:1] != b"\\0":
            return None
        at = 1
    for f in row["fields"]:
        left = len(payload) - at
        size = left if f["kind"] in ("rest", "list") else f["size"]
        raw = payload[at : at + size]
        if len(raw) != size:
            return None
        if f["kind"] == "number" and not is_good_number(f, number_of(raw, f["signed"])):
            return None
        if f["kind"] == "text" and not is_good_text(raw):
            return None
        if f["kind"] == "list":
            if size % f["size"]:
                return None
            for place in range(0, size, f["size"]):
                if not is_good_number(f, number_of(raw[place : place + f["size"]], f["signed"])):
                    return None
        if f["kind"] in ("rest", "list") and not f["least"] <= size // f["size"] <= f["most"]:
            return None
        found.append((f, at, size))
        at += size
    return found if at == len(payload) else None


def setting_text(p, raw):
    """A raw value of a parameter as a person reads it, None where the bytes are not whole values."""
    if len(raw) % p["size"] or (not p["points"] and len(raw) != p["size"]):
        return None
    values = [number_of(raw[at : at + p["size"]], p["signed"]) for at in range(0, len(raw), p["size"])]
    if not p["points"] and values[0] in p["choices"]:
        return p["choices"][values[0]]
    if not values:
        return "none"
    words = ", ".join("%.*f" % (p["digits"], value / p["per_unit"]) for value in values)
    return words + (" " + p["unit"] if p["unit"] else "")


class Decoder(srd.Decoder):
    api_version = 3
    id = "busproto"
    name = "Actuator bus"
    longname = "Addressed actuators on a half-duplex serial bus"
    desc = "Frames, fields and checks of the actuator bus."
    license = "mit"
    inputs = ["uart"]
    outputs = []
    tags = ["Embedded/industrial"]
    options = (
        {"id": "line", "desc": "Which line of the UART decoder", "default": "rx", "values": ("rx", "tx")},
    )
    annotations = (
        ("header", "Header"),
        ("field", "Field"),
        ("check", "Check"),
        ("title", "Message"),
        ("byte", "Byte in no frame"),
        ("problem", "Problem"),
    )
    annotation_rows = (
        ("messages", "Messages", (TITLE, BYTE)),
        ("fields", "Fields", (HEADER, FIELD, CHECK)),
        ("problems", "Problems", (PROBLEM,)),
    )

    def __init__(self):
        self.reset()

    def reset(self):
        self.kept = []
        self.is_open = False
        self.requests = {}
        self.byte_samples = 0

    def start(self):
        self.out = self.register(srd.OUTPUT_ANN)

    def decode(self, ss, es, data):
        kind, line, what = data
        if line != (0 if self.options["line"] == "rx" else 1):
            return
        if kind == "IDLE" and not self.is_open:
            self.end()
        if kind != "FRAME":
            return
        if self.kept and ss - self.kept[-1][2] > QUIET_BYTES * (es - ss):
            self.end()
        self.take(what[0], ss, es)

    def take(self, byte, ss, es):
        kept = self.kept
        is_any = any(one[0] for one in kept)
        if byte:
            if self.is_open and len(kept) > 1 and not is_any:
                self.tell(kept[:-1])
                del kept[:-1]
            kept.append((byte, ss, es))
        elif self.is_open and is_any:
            kept.append((byte, ss, es))
            self.end()
        elif not self.is_open and kept:
            if unframe(bytes(one[0] for one in kept))[0]:
                self.end()
                kept.append((byte, ss, es))
                self.is_open = True
            else:
                kept.append((byte, ss, es))
                self.end()
        else:
            kept.append((byte, ss, es))
            self.is_open = True
        if len(kept) >= RUN_BYTES:
            self.end()

    def end(self):
        if self.kept:
            self.tell(self.kept)
        self.kept.clear()
        self.is_open = False

    def say(self, piece, at, size, where, name, text):
        ss, es = piece[at][1], piece[at + max(1, size) - 1][2]
        self.put(ss, es, self.out, [where, ["%s: %s" % (name, text), text]])

    def tell(self, piece):
        raw = bytes(one[0] for one in piece)
        lead = 1 if raw[:1] == b"\\0" else 0
        chunk = raw[lead:-1]
        if not (len(raw) > lead + 1 and raw[-1] == 0 and 0 not in chunk):
            return self.no_frame(piece, raw, "")
        why, body = unframe(chunk)
        if why:
            return self.no_frame(piece, raw, why if lead else "")
        self.frame(piece, raw, body, lead)

    def no_frame(self, piece, raw, why):
        if not why and raw.count(0) == 0:
            for at, byte in enumerate(raw):
                self.say(piece, at, 1, BYTE, "byte", "%d %02x" % (byte, byte))
            return
        self.say(piece, 0, len(raw), BYTE, "raw", raw.hex())
        self.say(piece, 0, len(raw), PROBLEM, "problem", why or "run")

    def frame(self, piece, raw, body, lead):
        shift = lead + 1
        is_reply = bool(body[0] >> 4 & 1)
        size = T["header_bytes"] + (T["tag_bytes"] if is_reply else 0)
        operation, payload = body[5], body[size:]
        key = body[4], operation
        if not is_reply:
            self.requests[key] = body
        row = (T["replies"] if is_reply else T["requests"]).get(operation)
        if is_reply and payload[:1].strip(b"\\0") and operation not in T["bare"]:
            row = T["refusal"]
        title = row["title"] if row else "operation %02X" % operation
        self.put(piece[0][1], piece[-1][2], self.out, [TITLE, [title]])
        for h in T["header"]:
            if h["at"] >= size:
                continue
            value = number_of(body[h["at"] : h["at"] + h["size"]], False) >> h["shift"] & (1 << h["bits"]) - 1
            text = "%0*x" % (2 * h["size"], value) if h["hex"] else str(value)
            if value in h["words"]:
                text += " " + h["words"][value]
            elif h["name"] == "operation":
                text += " unknown"
            self.say(piece, shift + h["at"], h["size"], HEADER, h["name"], text)
        found = pieces_of(row, payload) if row else None
        if found is None:
            if payload:
                self.say(piece, shift + size, len(payload), FIELD, "payload", payload.hex())
            self.say(piece, 0, len(raw), PROBLEM, "problem", "message")
        else:
            self.payload(piece, row, found, payload, shift + size, self.requests.get(key) if is_reply else None)
        at = len(raw) - 1 - T["check_bytes"]
        self.say(piece, at, T["check_bytes"], CHECK, "check", raw[at:-1].hex())

    def payload(self, piece, row, found, payload, shift, request):
        if row["outcome"]:
            self.say(piece, shift, 1, FIELD, "outcome", "0 " + T["outcomes"][0])
        parameter = None
        for f, at, size in found:
            raw, where, name = payload[at : at + size], shift + at, row["key"] + "." + f["name"]
            if f["kind"] == "number":
                value = number_of(raw, f["signed"])
                self.say(piece, where, size, FIELD, name, number_text(f, value))
                for bit, _, word in f["flags"]:
                    self.say(piece, where, size, FIELD, name + "." + word, "1" if value & bit else "0")
                if f["role"] == "parameter":
                    parameter = T["parameters"].get(value)
            elif f["kind"] == "list":
                for place in range(0, size, f["size"]):
                    value = number_of(raw[place : place + f["size"]], f["signed"])
                    self.say(piece, where + place, f["size"], FIELD, name, number_text(f, value))
            elif f["kind"] == "text":
                self.say(piece, where, size, FIELD, name, raw.rstrip(b"\\0").decode("ascii"))
            else:
                self.say(piece, where, size, FIELD, name, raw.hex())
            self.meaning(piece, f, raw, where, parameter, request)

    def meaning(self, piece, f, raw, where, parameter, request):
        if f["role"] == "parameters":
            for place, number in enumerate(raw):
                known = T["parameters"].get(number)
                self.say(piece, where + place, 1, FIELD, "parameter", known["name"] if known else "unknown")
        elif f["role"] == "setting" and parameter:
            text = setting_text(parameter, raw)
            if text is not None:
                self.say(piece, where, len(raw), FIELD, "setting", parameter["name"] + ": " + text)
        elif f["role"] == "settings" and request and request[5] == T["read"]:
            place = 0
            for number in request[T["header_bytes"] + 1 :]:
                known = T["parameters"].get(number)
                if not known:
                    return
                size = len(raw) - place if known["points"] else known["size"]
                text = setting_text(known, raw[place : place + size])
                if text is None:
                    return
                self.say(piece, where + place, size, FIELD, "setting", known["name"] + ": " + text)
                place += size
'''
