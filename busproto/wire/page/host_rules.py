"""What a host may conclude from the answers of discovery. The numbers are those of `busproto.ops`; a test compares."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from busproto.wire.page.rules import HOST, Rule, Section


@dataclass(frozen=True, slots=True)
class Proof:
    """Numbers of a proof; times in ms."""

    min_passes: int = 2
    odd_passes: int = 16
    doubt_passes: int = 6
    last_passes: int = 4
    spread_ms: int = 300
    most_pause_ms: int = 80
    least_ms: int = 55
    late_ms: int = 30
    patience_ms: int = 250
    longest_ms: int = 20_000
    most_error: float = 1e-4
    byte_error: float = 1e-3
    confidence: float = 0.95
    poor_confidence: float = 0.99
    short_call_bytes: int = 19
    first_window_slots: int = 128
    least_slots: int = 8
    clocks_apart: float = 0.025
    answer_bytes: int = 24
    spare_bytes: int = 2


PROOF: Final = Proof()


def _host(name: str, text: str, why: str = "") -> Rule:
    return Rule(f"find.host-{name}", text, why, HOST)


HOST_SECTION: Final = Section(
    "What a host may conclude",
    (
        _host(
            "search",
            f"Send roll calls, the first with {PROOF.first_window_slots} slots, each later one with about three slots "
            f"for each actuator that is thought to be left, at least {PROOF.least_slots}, and with the digests of "
            "those understood in the call before, made with the salt of that call. Digests that do not fit go ahead in "
            "the same burst, in calls without slots. The search ends with the first roll call in which every received "
            "byte belongs to a reply, or none came.",
            "About 24 bytes that cannot be read are one collision, of two or more.",
        ),
        _host(
            "position",
            "Then send lists. A pass is one list and its answers. A position is confirmed in a pass when every way of "
            "fitting the received bytes to the positions, in order, agrees on it. A way takes each byte in turn for "
            "the next position whose list byte it is, and passes it over where there is none; the two ways that matter "
            "are that from the first byte and position on, and that from the last ones back. Bytes passed over fit no "
            "position.",
        ),
        _host(
            "quiet",
            "A pass is quiet when every received byte is the answer of some position, and at least half of the "
            "positions are confirmed.",
            "Where the list itself was lost on the line, silence proves nothing.",
        ),
        _host(
            "proven",
            f"A list without doubts and misses is proven when each position was confirmed in {PROOF.min_passes} "
            f"passes, {PROOF.min_passes} passes were quiet, each with a fresh salt, a short roll call, sent twice in "
            "one burst behind the first quiet pass, brought no new actuator, and the figure below is small enough. A "
            f"short roll call has {PROOF.least_slots} slots and no digests. Where it brings a new actuator, that is "
            "listed, and all passes count anew. An address list is proven in the same way, but by "
            f"{PROOF.min_passes + 1} quiet passes and without calls.",
            "A list is long and easily missed; a short call is not.",
        ),
        _host(
            "doubt",
            "A doubt is whatever came that no listed actuator accounts for: a byte between two requests; more bytes "
            "that cannot be read in the window of a roll call than those can have sent which were read later, had to "
            "answer in it and had slots near each other; a reply to a roll call whose tag is not that of its uid; "
            "bytes behind a list that fit no position. Near are slots that differ by no more than 1 + "
            f"{PROOF.clocks_apart:g} x `slots`, rounded up; each such actuator accounts for {PROOF.answer_bytes} "
            f"bytes and {PROOF.spare_bytes} more. Bytes behind a list are no doubt where the echo was broken, where "
            "short calls sent at once bring a new actuator, or where they look like noise: no byte is below 0x80, and "
            "no more came than there are positions. No such pass is quiet.",
        ),
        _host(
            "miss",
            "A miss is a listed actuator that had to answer a roll call and was not read, though no other that was not "
            "read had a slot near its own, or every byte of the window could be read; whose position in a list was not "
            "confirmed; or that answered a roll call though it was read in an earlier one.",
            "That it heard nothing and that it was not heard look alike.",
        ),
        _host(
            "long",
            "With a doubt, a miss, or a broken echo, alternate a call sent several times and a list, each after a "
            f"pause of up to {PROOF.most_pause_ms} ms, drawn at random. {PROOF.odd_passes} quiet passes over at least "
            f"{PROOF.spread_ms} ms are wanted then, and each position confirmed twice, and once in the last "
            f"{PROOF.last_passes} passes. Counts begin anew behind a doubt, or a call that could not be read. With a "
            f"doubt the host stops after {PROOF.doubt_passes} such passes: the list is not proven, and the host may "
            "search again, in a new epoch.",
        ),
        _host(
            "never",
            "Never proven: a list with a doubt; an empty list; a list in which an actuator answers fewer than three of "
            f"five lists, as the bound of the figure below says at {100 * PROOF.poor_confidence:g} %; a list while a "
            "uid was received in a valid reply and does not answer as it should, or was received unasked, "
            "from two addresses, or twice.",
        ),
        _host(
            "figure",
            "The figure bounds the chance that a powered actuator is missing from the list. Let w be the greatest of "
            f"the upper bounds at {100 * PROOF.confidence:g} % (Clopper and Pearson, one-sided) of the share of "
            "requests missed: of all listed actuators together, and of each that missed any. Requests here are, for "
            "each actuator, all lists, and the calls in which it was read or missed. Let b be the mean size of a list "
            f"on the wire, and q = {PROOF.byte_error:g} the least byte error assumed. A request of s bytes is missed "
            "with m(s) = max(1 - (1 - q)^s, 1 - (1 - w)^max(1, s / b)). The figure is the product over all "
            "quiet passes of "
            f"min(1, m(s) + positions / 65536), times min(1, m({PROOF.short_call_bytes})^k + 1 / 65536), with k short "
            "calls that brought nothing, each sending of a burst counted; for an address list positions / 65536 "
            f"is left out and k is 0. Add passes until it is at most {PROOF.most_error:g}, or what was asked "
            "for.",
            "It holds for actuators that hear, and are heard, no worse than the worst of those listed may. An actuator "
            "stays unnoticed only if it missed every quiet list, or its digest fitted by chance, and it missed every "
            "call, or believed by chance to be acknowledged.",
        ),
        _host(
            "time",
            f"Search and proof take at least {PROOF.least_ms} ms; what is left is spent on listening, up to "
            f"{PROOF.late_ms} ms, and on calls. They end after {PROOF.longest_ms // 1000} s at the latest. A host that "
            f"has the time goes on for {PROOF.patience_ms} ms with calls and listening at random moments.",
            "An actuator that hears one request in three misses a search of 16 without trouble with (2/3)^6, about 9 "
            "%, and nothing shows; with the time above below 1e-4 at 115200 Bd.",
        ),
        _host(
            "blind",
            "Compare with the plan: deaf, mute or unpowered actuators are invisible to every scheme, and so is one "
            "that heard no request of a search or sent nothing in it.",
        ),
    ),
    "These are the rules of the host that comes with this page: SHOULD for any host that calls a list proven.",
)
