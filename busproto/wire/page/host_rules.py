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


PROOF: Final = Proof()


def _host(name: str, text: str, why: str = "") -> Rule:
    return Rule(f"find.host-{name}", text, why, HOST)


HOST_SECTION: Final = Section(
    "What a host may conclude",
    (
        _host(
            "search",
            f"Send roll calls, the first with {PROOF.first_window_slots} slots, each later one with about three slots "
            "for each actuator that is thought to be left, and with the digests of those understood in the call "
            "before. "
            "The search ends with the first roll call in which every received byte belongs to a valid reply. A reply "
            "to a roll call whose tag is not that of its uid counts as not read.",
        ),
        _host(
            "position",
            "Then send lists. A pass is one list and its answers. A position is confirmed in a pass when every way of "
            "fitting the received bytes to the positions, in order, agrees on it.",
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
            "one burst behind the first quiet pass, brought no new actuator, and the figure below is small enough. "
            f"For addresses {PROOF.min_passes + 1} quiet passes are wanted.",
            "A list is long and easily missed; a short call is not.",
        ),
        _host(
            "doubt",
            "A doubt is whatever came that no listed actuator accounts for: a byte between two requests; more bytes "
            "in a window than those can have sent which were found later, had to answer in it and had slots near each "
            "other; a byte behind a list that is no answer of a position, or comes once too often.",
        ),
        _host(
            "miss",
            "A miss is a listed actuator that had to answer a window or a list, or to be acknowledged by a call, "
            "and was "
            "not heard.",
            "That it heard nothing and that it was not heard look alike.",
        ),
        _host(
            "long",
            "With a doubt, a miss, or a broken echo, alternate a call sent several times and a list, each after a "
            f"pause of up to {PROOF.most_pause_ms} ms, drawn at random. {PROOF.odd_passes} quiet passes over at least "
            f"{PROOF.spread_ms} ms are wanted then, and each position confirmed twice since the last doubt and once in "
            f"the last {PROOF.last_passes} passes. With a doubt {PROOF.doubt_passes} such passes are made, and the "
            "list is not proven.",
        ),
        _host(
            "never",
            "Never proven: a list with a doubt; an empty list; a list in which an actuator answers fewer than three of "
            f"five lists, at {100 * PROOF.poor_confidence:g} % confidence; a list while a uid was received in a valid "
            "reply and does not answer as it should, or was received unasked, from two addresses, or twice.",
        ),
        _host(
            "figure",
            "The figure bounds the chance that a powered actuator is missing from the list. Let w be the greatest of "
            f"the upper bounds at {100 * PROOF.confidence:g} % (Clopper and Pearson) of the share of requests missed: "
            "of all listed actuators together, and of each that missed any. Let b be the mean size of a list on the "
            f"wire, and q = {PROOF.byte_error:g} the least byte error assumed. A request of s bytes is missed with "
            "m(s) = max(1 - (1 - q)^s, 1 - (1 - w)^max(1, s / b)). The figure is the product over all quiet passes of "
            f"min(1, m(s) + positions / 65536), times min(1, m({PROOF.short_call_bytes})^k + 1 / 65536), with k short "
            f"calls that brought nothing new. Add passes until it is at most {PROOF.most_error:g}, or what was asked "
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
