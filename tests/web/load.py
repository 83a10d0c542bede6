"""What the page costs: thirty-two actuators at fifty rounds a second, in a headless browser. Prints figures only.

    python -m tests.web.load [seconds]

Worker is the thread with the bus: the simulator, polling and decoding. Server is everything else of the process but
this measurement: WebSocket, queues, JSON. The browser runs beside them on the same machine.
"""

from __future__ import annotations

import sys
import time
from typing import Final

from playwright.sync_api import sync_playwright

from tests.web.browser.test_browser import CHROMIUM, WIDE
from tests.web.helpers import Port, Talk, origin_of, protocols_of, serving

SECONDS: Final = 20.0


def say(text: str) -> None:
    """One line of figures."""
    sys.stdout.write(f"{text}\n")


def main() -> None:
    """Measure and print."""
    from websockets.sync.client import connect

    seconds = float(sys.argv[1]) if len(sys.argv) > 1 else SECONDS
    port = Port("full-line")
    with serving(port) as server, sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        page = browser.new_context(viewport=WIDE).new_page()  # type: ignore[arg-type]
        url = f"ws://127.0.0.1:{server.place.port}/bus"
        with connect(url, origin=origin_of(server), subprotocols=protocols_of(server), compression=None) as made:  # type: ignore[arg-type]
            talk = Talk(made.send, lambda: str(made.recv(60)))
            talk.flow("number")
            for address in range(1, 33):
                talk.flow("set", address=address, changes={"channel": str(address)})
        page.goto(server.place.url)
        page.locator("article.tile").nth(31).wait_for()
        page.get_by_role("button", name="Cautions, to arm").click()
        for tick in page.locator("#caution-list input").all():
            tick.check()
        page.get_by_role("button", name="Arm: let demands through").click()
        page.locator("body.armed").wait_for()
        for at in range(1, 33):  # all of them move, to and fro
            page.evaluate(SWING, at)
        page.wait_for_timeout(1000)
        page.evaluate("bench.longTasks.length = 0; Object.assign(bench.figures, {positions: 0, gaps: 0})")
        worker_s, process_s, began = server.worker.cpu_s, time.process_time(), time.perf_counter()
        virtual_ns = port.buses[-1].kernel.now_ns
        page.wait_for_timeout(seconds * 1000)
        passed_s = time.perf_counter() - began
        worker = (server.worker.cpu_s - worker_s) / passed_s
        whole = (time.process_time() - process_s) / passed_s
        figures = page.evaluate("bench.figures")
        tasks = page.evaluate("bench.longTasks")
        virtual_s = (port.buses[-1].kernel.now_ns - virtual_ns) / 1e9
        armed = page.evaluate("bench.state.armed")
        moving = page.locator("article[data-state=following], article[data-state=soft-starting]").count()
        browser.close()
    say(f"{moving} of 32 follow a demand, armed: {armed}; {passed_s:.1f} s, of which {virtual_s:.1f} s on the line")
    say(f"positions: {figures['positions'] / passed_s:.1f} messages a second, gaps {figures['gaps']}")
    say(f"browser: longest block of the main thread {max(tasks, default=0):.0f} ms, {len(tasks)} of 50 ms or more")
    say(
        f"worker (simulator, polling, decoding): {100 * worker:.0f} % of a core; server: {100 * (whole - worker):.0f} %"
    )


SWING = """(channel) => {
  const slider = document.querySelector(`[aria-label="Demand for channel ${channel}, percent of travel"]`);
  let step = channel;
  setInterval(() => {
    step += 1;
    slider.value = 60 * Math.sin(step / 3);
    slider.dispatchEvent(new Event("input"));
  }, 500);
}"""

if __name__ == "__main__":
    main()
