"""The counts of `busproto.capture.statistics.count`, by numpy over all packets at once. Tests hold both together."""

from __future__ import annotations

from typing import Any, Final

from busproto.capture.bulk import KINDS, Bulk
from busproto.capture.pieces import BAD, BYTE, GOOD, RUN
from busproto.capture.recorder import BITS_PER_BYTE
from busproto.capture.statistics import NS_PER_S, Statistics, Tally
from busproto.wire.frame import BROADCAST_ADDRESS
from busproto.wire.message import BARE_REPLIES, REPLIES

KEYS: Final = 256
_FAR_NS: Final = 1 << 62


class _Tallies:
    """A tally for each key, as columns; and one for all."""

    def __init__(self) -> None:
        import numpy as np

        self._counts: dict[str, Any] = {}
        self.keys = np.zeros(KEYS, bool)
        self._fastest = np.full(KEYS, _FAR_NS, np.int64)
        self._slowest = np.full(KEYS, -_FAR_NS, np.int64)
        self._total = np.zeros(KEYS, np.int64)

    def add(self, name: str, keys: Any) -> None:
        """Count one for each of these keys."""
        import numpy as np

        counts = np.bincount(keys, minlength=KEYS)
        self._counts[name] = self._counts.get(name, 0) + counts

    def time(self, keys: Any, times_ns: Any) -> None:
        """Count reply times."""
        import numpy as np

        self.add("timed", keys)
        np.minimum.at(self._fastest, keys, times_ns)
        np.maximum.at(self._slowest, keys, times_ns)
        np.add.at(self._total, keys, times_ns)

    def found(self) -> dict[int, Tally]:
        """The tallies, of the keys that occur."""
        tallies = {}
        for key in self.keys.nonzero()[0].tolist():
            tally = Tally(**{name: int(counts[key]) for name, counts in self._counts.items()})
            if tally.timed:
                tally.fastest_ns, tally.slowest_ns = int(self._fastest[key]), int(self._slowest[key])
                tally.total_ns = int(self._total[key])
            tallies[key] = tally
        return tallies


def count_bulk(bulk: Bulk) -> Statistics:
    """Count a capture."""
    import numpy as np

    found = Statistics(bulk.baud, packets=len(bulk), echoes=int(bulk.is_echo.sum()))
    places = np.flatnonzero(~bulk.is_echo)
    if not len(places):
        return found
    time_ns, size, sent, status, tag = (
        column[places] for column in (bulk.time_ns, bulk.size, bulk.is_sent, bulk.status, bulk.tag)
    )
    destination, source, sequence, operation, outcome = (
        column[places] for column in (bulk.destination, bulk.source, bulk.sequence, bulk.operation, bulk.outcome)
    )
    kinds = np.bincount(status, minlength=len(KINDS))
    for number, kind in enumerate(KINDS):
        found.kinds[kind] += int(kinds[number])
    air_ns = size * (BITS_PER_BYTE * NS_PER_S) // bulk.baud
    begins_ns = np.where(sent, time_ns, time_ns - air_ns)
    ends_ns = begins_ns + air_ns
    found.begin_ns, found.end_ns = int(begins_ns.min()), max(0, int(ends_ns.max()))
    found.sent_ns, found.heard_ns = int(air_ns[sent].sum()), int(air_ns[~sent].sum())

    is_good = status == KINDS.index(GOOD)
    requests = np.flatnonzero(sent & is_good & (tag < 0))
    is_request = np.zeros(len(places), bool)
    is_request[requests] = True
    asked = np.maximum.accumulate(np.where(is_request, np.arange(len(places)), -1))
    replies = np.flatnonzero(~sent & is_good & (tag >= 0))
    to = asked[replies]
    is_known = (to >= 0) & (sequence[replies] == sequence[to]) & (operation[replies] == operation[to])
    known, known_to = replies[is_known], to[is_known]
    answers = np.bincount(known_to, minlength=len(places))
    is_single = destination != BROADCAST_ADDRESS
    open_requests = requests[is_single[requests] & (answers[requests] == 0) & _table(REPLIES)[operation[requests]]]
    retries = _retries(bulk, places, requests, open_requests, destination, operation)
    refused = replies[(outcome[replies] != 0) & ~_table(BARE_REPLIES)[operation[replies]]]
    clashes = _clashes(known, known_to, tag, answers, is_single)
    is_first = np.ones(len(known), bool)
    is_first[1:] = known_to[1:] != known_to[:-1]
    is_timed = is_first & is_single[known_to]
    timed, times_ns = known[is_timed], begins_ns[known[is_timed]] - ends_ns[known_to[is_timed]]
    bad = np.flatnonzero(~sent & np.isin(status, [at for at, kind in enumerate(KINDS) if kind in {BAD, RUN}]))
    bad_to = asked[bad]
    bad_to = bad_to[bad_to >= 0]

    total, operations, actuators = _Tallies(), _Tallies(), _Tallies()
    total.keys[0] = True
    operations.keys[operation[requests]] = operations.keys[operation[replies]] = True
    actuators.keys[destination[requests[is_single[requests]]]] = actuators.keys[source[replies]] = True
    for name, rows in (("requests", requests), ("unanswered", open_requests), ("retries", retries)):
        _add_asked(name, rows, total, operations, actuators, destination, operation)
    _add_asked("bad", bad_to, total, operations, actuators, destination, operation)
    total.add("bad", np.zeros(len(bad) - len(bad_to), np.int64))
    for name, rows in (("replies", replies), ("refused", refused), ("clashes", clashes)):
        total.add(name, np.zeros(len(rows), np.int64))
        operations.add(name, operation[rows])
        actuators.add(name, source[rows])
    for tallies, keys in (
        (total, np.zeros(len(timed), np.int64)),
        (operations, operation[timed]),
        (actuators, source[timed]),
    ):
        tallies.time(keys, times_ns)
    found.total = total.found()[0]
    found.operations, found.actuators = operations.found(), actuators.found()
    return found


def _table(numbers: Any) -> Any:
    import numpy as np

    table = np.zeros(KEYS, bool)
    table[list(numbers)] = True
    return table


def _add_asked(
    name: str, rows: Any, total: _Tallies, operations: _Tallies, actuators: _Tallies, destination: Any, operation: Any
) -> None:
    """Count rows that are requests for everyone, for their operation, and for the one that was asked."""
    import numpy as np

    total.add(name, np.zeros(len(rows), np.int64))
    operations.add(name, operation[rows])
    asked = destination[rows]
    actuators.add(name, asked[asked != BROADCAST_ADDRESS])


def _retries(bulk: Bulk, places: Any, requests: Any, open_requests: Any, destination: Any, operation: Any) -> Any:
    """Requests that say again what the request before said, which went unanswered."""
    import numpy as np

    before, after = requests[:-1], requests[1:]
    likely = np.isin(before, open_requests, assume_unique=True)
    likely &= (destination[before] == destination[after]) & (operation[before] == operation[after])
    before, after = before[likely], after[likely]
    pairs = list(zip(places[before].tolist(), places[after].tolist(), strict=True))
    payloads = bulk.payloads_at({place for pair in pairs for place in pair})
    return after[np.array([payloads[one] == payloads[other] for one, other in pairs], bool)]


def _clashes(known: Any, known_to: Any, tag: Any, answers: Any, is_single: Any) -> Any:
    """Answers to one request from another actuator than those before."""
    import numpy as np

    found: list[int] = []
    tags: set[int] = set()
    current = -1
    several = (answers[known_to] > 1) & is_single[known_to]
    for row, to in zip(known[several].tolist(), known_to[several].tolist(), strict=True):
        if to != current:
            tags, current = set(), to
        one = int(tag[row])
        if tags and one not in tags:
            found.append(row)
        tags.add(one)
    return np.array(found, np.int64)


assert {GOOD, BAD, RUN, BYTE} == set(KINDS)
