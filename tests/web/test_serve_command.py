"""``busproto serve``: what it prints, what it refuses, a port that is real, one that goes away."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

pytest.importorskip("starlette", reason="the page's libraries are not installed: pip install 'busproto[web]'")

from websockets.sync.client import connect

from busproto.cli import group
from busproto.errors import BusError
from busproto.sim.errors import SimError
from busproto.web.serving import port_opener
from tests.cli.helpers import running_bus
from tests.web.helpers import PATIENCE_S, Talk, origin_of, protocols_of, serving

RUN = "import sys; from busproto.cli import run; sys.exit(run(['serve', *sys.argv[1:]]))"


@pytest.mark.parametrize(
    ("arguments", "text"),
    [
        (["--listen", "0.0.0.0:1"], "--open-to-network"),
        (["--listen", "here"], "HOST:PORT"),
        (["--port", "sim://nowhere"], "no such file"),
        (["--port", "sim://hauler?seed=-1"], "seed"),
        (["--airframe", "missing.toml"], "missing.toml"),
    ],
)
def test_bad_input_is_said_before_anything_is_opened(arguments: list[str], text: str) -> None:
    with pytest.raises((BusError, SimError), match=text):
        group.main(["serve", "--no-browser", *arguments], standalone_mode=False)


@pytest.mark.realtime
@pytest.mark.parametrize("as_json", [True, False])
def test_it_prints_the_url_with_its_token_and_ends(as_json: bool) -> None:
    arguments = ["--listen", "127.0.0.1:0", "--no-browser", "--for", "0.2", *(["--json"] if as_json else [])]
    done = subprocess.run(
        [sys.executable, "-W", "error", "-c", RUN, *arguments],
        capture_output=True,
        text=True,
        timeout=PATIENCE_S,
        check=True,
    )
    line, *ended = done.stdout.splitlines()
    url = json.loads(line)["url"] if as_json else line.removeprefix("page: ")
    assert [json.loads(one) for one in ended] == ([{"ended": True, "let_go": None}] if as_json else [])
    assert url.startswith("http://127.0.0.1:")
    assert len(url.partition("#token=")[2]) >= 32
    assert "Traceback" not in done.stderr


@pytest.mark.realtime
def test_asked_to_end_it_ends_well() -> None:
    process = subprocess.Popen(
        [sys.executable, "-W", "error", "-c", RUN, "--listen", "127.0.0.1:0", "--no-browser"],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    try:
        assert process.stdout is not None
        assert process.stdout.readline().startswith("page: http")
        process.terminate()
        _, err = process.communicate(timeout=PATIENCE_S)
    finally:
        process.kill()
        process.communicate()
    assert process.returncode == 0
    assert "page ended" in err.splitlines()
    assert "Traceback" not in err


@pytest.mark.realtime
def test_a_taken_port_is_said() -> None:
    with serving(port_opener("sim://bench-four", None, None)) as server:
        listen = f"127.0.0.1:{server.place.port}"
        with pytest.raises(BusError, match="cannot listen"):
            group.main(["serve", "--no-browser", "--listen", listen], standalone_mode=False)


@pytest.mark.realtime
def test_a_port_with_a_bus_in_another_process_and_that_bus_going_away() -> None:
    with running_bus("bench-four", "--tcp", "127.0.0.1:0") as (process, line):
        url = line.removeprefix("port: ").strip()
        with (
            serving(port_opener(url, None, 20.0)) as server,
            connect(
                f"ws://127.0.0.1:{server.place.port}/bus",
                origin=origin_of(server),  # type: ignore[arg-type]
                subprotocols=protocols_of(server),  # type: ignore[arg-type]
                compression=None,
            ) as made,
        ):
            page = Talk(made.send, lambda: str(made.recv(PATIENCE_S)))
            assert page.flow("find")["result"]["remaining_error"] < 0.001
            page.wait("pos", lambda body: any(row[1] == "limp" for row in body["rows"]))
            entries: list[dict[str, Any]] = [row for one in page.seen if one["k"] == "line" for row in one["entries"]]
            assert {row["source"] for row in entries} >= {"host", "address 3"}
            page.order("control", line="list")
            assert "real" in page.wait("refused")["text"]
            process.kill()
            assert page.wait("port", lambda body: body["state"] == "closed")["text"]
            page.order("start", flow="find")
            assert "port is closed" in page.wait("refused")["text"]


def test_the_pages_files_are_shipped_with_the_package() -> None:
    import busproto.web

    folder = Path(busproto.web.__file__).parent
    assert {"index.html", "style.css", "main.js", "lessons.js"} <= {one.name for one in (folder / "static").rglob("*")}
