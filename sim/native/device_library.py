"""A firmware as a shared library: `firmware/bp_port.h` for Python.

A library is copied for each instance, so that several instances of a firmware with static variables can run.
"""

from __future__ import annotations

import functools
import re
import shutil
import tempfile
from importlib import resources
from pathlib import Path
from typing import Any, Final

from busproto.sim.errors import SimError
from busproto.sim.native.device_build import reference_library, workshop

REFERENCE: Final = "reference"
"""Name of the shipped firmware, which is built at first use."""
RENUMBER: Final = "bp_device_renumber"
"""The function that a library may lack."""
FUNCTIONS: Final = (
    "bp_device_size",
    "bp_device_start",
    "bp_device_provision",
    "bp_device_byte",
    "bp_device_line",
    "bp_device_sent",
    "bp_device_tick",
    "bp_device_address",
    "bp_device_state",
    "bp_device_shows_until",
)


class DeviceError(SimError):
    """A firmware cannot be used as a device; the text says why."""


def port_declarations() -> str:
    """The functions that a firmware must export, as C declarations without preprocessor lines."""
    text = resources.files("busproto.sim").joinpath("firmware", "bp_port.h").read_text("utf-8")
    text = re.sub(r"#ifdef __cplusplus\n.*?#endif", "", text, flags=re.DOTALL)
    return "\n".join(line for line in text.splitlines() if not line.startswith("#"))


@functools.cache
def _declared() -> Any:
    """cffi with the interface declared: once, as reading it takes longer than most cases of a test run.

    Raises:
        DeviceError: cffi is not installed.
    """
    try:
        from cffi import FFI  # type: ignore[import-untyped]
    except ImportError as error:
        raise DeviceError("a firmware under test needs cffi: pip install 'busproto[firmware]'") from error
    ffi = FFI()
    ffi.cdef(port_declarations())
    return ffi


class DeviceLibrary:
    """One loaded firmware.

    Attributes:
        ffi, lib: of cffi.
        source: what it was loaded from.
        path: of the loaded file itself, which may be a copy of it.
    """

    def __init__(self, path: Path, source: str) -> None:
        self.source = source
        self.path = path.resolve()
        self.ffi = _declared()
        try:
            self.lib: Any = self.ffi.dlopen(str(path.resolve()))
        except OSError as error:
            raise DeviceError(f"'{source}' cannot be loaded as a shared library: {error}") from error
        missing = [name for name in FUNCTIONS if not hasattr(self.lib, name)]
        if missing:
            raise DeviceError(f"'{source}' does not offer {', '.join(missing)} (see sim/firmware/bp_port.h)")
        self._callbacks = {name: self._callback(kind, name) for name, kind in _HARDWARE.items()}

    def _callback(self, kind: str, name: str) -> Any:
        """A C function that calls the method `name` of the object whose handle is its first argument."""
        ffi = self.ffi

        def call(context: Any, *arguments: Any) -> Any:
            owner = ffi.from_handle(context)
            try:
                return getattr(owner, name)(*arguments)
            except BaseException as error:  # an exception must not pass through C; the owner raises it after the call
                owner.failure = error
                return None if kind.startswith("void") else 0

        return ffi.callback(kind, call)

    def hardware(self, handle: Any) -> Any:
        """The hardware struct of an instance, given the handle of its owner."""
        made = self.ffi.new("bp_hardware *")
        made.context = handle
        for name, callback in self._callbacks.items():
            setattr(made, name, callback)
        return made


_HARDWARE: Final = {
    "transmit": "void(void *, const uint8_t *, size_t)",
    "any_bits": "uint32_t(void *)",
    "page_erase": "uint32_t(void *, uint8_t)",
    "page_program": "uint32_t(void *, uint8_t, uint16_t, uint8_t)",
    "page_read": "void(void *, uint8_t, uint16_t, uint8_t *, size_t)",
    "drive": "void(void *, uint8_t, int16_t)",
    "position_mdeg": "int32_t(void *)",
    "current_ma": "uint16_t(void *)",
    "supply_mv": "uint16_t(void *)",
    "temperature_cdeg": "int16_t(void *)",
}
"""Every function of the hardware struct."""


@functools.cache
def _reference() -> DeviceLibrary:
    return DeviceLibrary(reference_library(), REFERENCE)


def open_library(source: str) -> DeviceLibrary:
    """The firmware that `source` names: "reference", or the path of a shared library.

    Raises:
        DeviceError: there is no such library, or it does not export what a device needs.
        NoCompilerError: the reference firmware cannot be built.
    """
    if source == REFERENCE:
        return _reference()
    path = Path(source)
    if not path.is_file():
        raise DeviceError(f"there is no library '{source}' (and 'reference' names the firmware that is shipped)")
    own = Path(tempfile.mkdtemp(dir=workshop())) / path.name
    shutil.copyfile(path, own)
    return DeviceLibrary(own, source)
