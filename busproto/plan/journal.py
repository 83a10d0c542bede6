"""The journal of changes: one line of JSON for each step, on the disk before the step is done on the bus.

It is a log for people, not a plan: how to go on is found from the bus itself. It lists what was begun, what was read
back, and where an earlier run ended.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any, Final

import msgspec

from busproto.atomic_files import append_line
from busproto.plan.changes import Change
from busproto.reading import decode_json, read_text

ENDING: Final = "journal.jsonl"


class Journal:
    """A journal file.

    Attributes:
        path: of the file; it is made with the first line.
    """

    def __init__(self, path: Path, now_text: Callable[[], str]) -> None:
        self.path = path
        self._now_text = now_text

    def unfinished(self) -> str | None:
        """Where the last run in it stopped, in words; None where it came to its end, or there was none.

        A last line that a power cut has torn is left out.
        """
        if not self.path.exists():
            return None
        last: dict[str, Any] = {}
        began = ""
        for line in read_text(self.path).split("\n"):
            try:
                entry: Any = decode_json(line)
            except msgspec.MsgspecError:
                continue
            if isinstance(entry, dict) and "step" in entry:
                last = entry
                began = str(entry.get("at", "")) if entry["step"] == "run" else began
        if not last or last["step"] == "end":
            return None
        if last["step"] == "run":
            return f"the run of {began} was interrupted before its first change"
        what = f"{last.get('function')}: {last.get('text')}"
        state = "was begun" if last["step"] == "begin" else "was done and read back"
        return f"the run of {began} was interrupted; the last that {state}: {what}"

    def begin(self, title: str, about: Mapping[str, Any]) -> None:
        """Note that a run begins, and what it is about."""
        self._write("run", {"title": title, **about})

    def note(self, change: Change, step: str) -> None:
        """A change is about to be done ("begin"), or was read back ("done")."""
        body = change.as_json()
        self._write(step, {"function": body.pop("function"), "text": change.text, **body})

    def end(self, text: str) -> None:
        """The run came to its end."""
        self._write("end", {"text": text})

    def _write(self, step: str, body: Mapping[str, Any]) -> None:
        append_line(self.path, json.dumps({"step": step, "at": self._now_text(), **body}, ensure_ascii=False))
