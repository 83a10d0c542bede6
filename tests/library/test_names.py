"""``import busproto`` is enough: what it shows, what it loads, and that both fronts are the same."""

from __future__ import annotations

import inspect
from typing import Any

import pytest

import busproto
from busproto.cautions import CAUTIONS
from busproto.library import __all__ as library_names
from tests.test_layers import loaded_by, top_levels

NOT_AWAITED = {"__init__", "__repr__", "__getitem__", "__iter__", "__len__", "__contains__", "settings"}
OF_ONE_FRONT_ONLY = {"address", "uid", "keys", "items", "values", "get", "set"}
"""Properties and a mapping's own ways, which cannot wait; `get` and `set` in the place of ``[]``."""


def test_every_name_is_there_and_shown() -> None:
    assert len(set(busproto.__all__)) == len(busproto.__all__)
    assert set(busproto.__all__) <= set(dir(busproto))
    assert set(library_names) <= set(busproto.__all__)
    for name in busproto.__all__:
        assert getattr(busproto, name) is not None
    assert busproto.CAUTIONS is CAUTIONS
    with pytest.raises(AttributeError, match="has no attribute 'nothing'"):
        busproto.nothing  # noqa: B018


def test_each_error_is_one_of_the_tree() -> None:
    for name in busproto.__all__:
        if name.endswith("Error"):
            assert issubclass(getattr(busproto, name), busproto.BusError)


def test_names_are_loaded_when_they_are_used_and_the_simulator_where_its_url_is() -> None:
    assert "busproto.library" not in loaded_by("import busproto; dir(busproto); busproto.__all__")
    assert "busproto.library" not in loaded_by("import busproto; busproto.CAUTIONS; busproto.BusError")
    assert "busproto.library" not in loaded_by("import busproto; busproto.Frame")
    loaded = loaded_by("import busproto; busproto.open")
    assert "busproto.library" in loaded
    assert top_levels(loaded).isdisjoint({"sim", "click", "rich"})
    assert "sim" in top_levels(loaded_by("import busproto; busproto.open('sim://bench-four').close()"))


@pytest.mark.parametrize("name", ["Bus", "Actuator", "Settings"])
def test_the_awaitable_front_has_the_same_methods_with_the_same_arguments(name: str) -> None:
    waiting: Any = getattr(busproto, name)
    awaited: Any = getattr(busproto, f"Async{name}")

    def methods(of: Any) -> dict[str, Any]:
        return {
            key: value
            for key, value in vars(of).items()
            if inspect.isfunction(value) and not key.startswith("_") and key not in OF_ONE_FRONT_ONLY
        }

    ours, theirs = methods(waiting), methods(awaited)
    assert set(ours) == set(theirs)
    assert ours
    for key, value in ours.items():
        assert str(inspect.signature(value)) == str(inspect.signature(theirs[key]))
        assert inspect.iscoroutinefunction(theirs[key])
        assert value.__doc__
        assert theirs[key].__doc__
    assert str(inspect.signature(busproto.open)).rpartition(" -> ")[0] in str(inspect.signature(busproto.open_async))
