"""What `Bus` and `Link` say of threads: buses on different ports in threads of their own do as they do one by one."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from typing import Any, Final

import busproto

URLS: Final = ("sim://bench-four?seed=1", "sim://taxi?seed=2", "sim://motor-glider?seed=3", "sim://rudder-gang?seed=4")


def job(bus: busproto.Bus) -> Any:
    """Find, set, move: all that differs from run to run is drawn by chance, and none of it is in what is given."""
    # a search draws by chance, and one with a doubt is not proven: then it is made again, as it says
    found = next(one for one in (bus.find(expected=4) for _ in range(5)) if one.proven)
    alone = next(one for one in found if one.address is not None and one.address not in found.clashes)
    bus[alone.uid].settings["neutral"] = 1.5
    moved = bus[alone.uid].move("10%")
    return found.proven, sorted(one.uid for one in found), bus[alone.uid].settings["neutral"], moved.arrived


def work(url: str) -> Any:
    with busproto.open(url) as bus:
        return job(bus)


def test_buses_on_different_ports_may_be_used_in_threads_of_their_own() -> None:
    one_by_one = [work(url) for url in URLS]
    assert all(proven and arrived for proven, _, _, arrived in one_by_one)
    with ThreadPoolExecutor(len(URLS)) as pool:
        assert list(pool.map(work, URLS)) == one_by_one


def test_a_bus_may_go_from_one_thread_to_another() -> None:
    bus = busproto.open(URLS[0])
    with ThreadPoolExecutor(1) as pool:
        first = pool.submit(job, bus).result()
        assert first == job(bus)
        pool.submit(bus.close).result()
