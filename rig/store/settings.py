"""Own what was measured of the rig and its place, in small files of their own; never a run.

Each file is replaced as a whole and carries a checksum. The content before the last one is kept
beside it. So they outlive the database, and power that fails while they are written.
"""

import json
import shlex
import threading
import zlib
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from types import MappingProxyType
from typing import Any, TypeVar

import numpy as np

from rig.analysis.hold import OwnLeak
from rig.errors import StoreError
from rig.runs import KnownOwnLeak, KnownVolume
from rig.store.files import replace_file
from rig.store.plain import (
    from_label,
    from_own_leak,
    from_volume,
    to_label,
    to_own_leak,
    to_volume,
)

T = TypeVar("T")
_FORM = 1
_BEFORE = ".before"
_RIG_VOLUME = "rig-volume.json"
_OWN_LEAK = "own-leak.json"
_AMBIENT = "ambient.json"
_LAST_RUN = "last-run.json"
_REMEDIES: Mapping[str, str] = MappingProxyType(
    {
        _RIG_VOLUME: "Measure the rig's volume again",
        _OWN_LEAK: "Run the self-test again, which measures the rig's own leak",
        _AMBIENT: "Delete it: the next vented reading writes it anew",
        _LAST_RUN: "Delete it: numbers of runs since the last backup may then be given twice",
    }
)


@dataclass(frozen=True)
class KnownAmbient:
    """The air of the room [Pa, absolute] as last read, with the wall time if the clock was set."""

    pressure_pa: float
    measured_utc: datetime | None


@dataclass(frozen=True)
class MeasuredOwnLeak:
    """The rig's own leak as last measured, with its curve."""

    known: KnownOwnLeak
    curve: OwnLeak


class Settings:
    """The files in a folder. All reading raises StoreError for one that is damaged.

    All writing raises OSError when the disk fails; what was kept before then stands.
    """

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._writing = threading.Lock()

    def rig_volume(self) -> KnownVolume | None:
        """Get the rig's volume as last measured, None where it never was."""
        return self._read(_RIG_VOLUME, to_volume)

    def keep_rig_volume(self, volume: KnownVolume) -> None:
        """Replace the rig's volume."""
        self._replace(
            _RIG_VOLUME,
            from_volume(volume),
        )

    def own_leak(self) -> MeasuredOwnLeak | None:
        """Get the rig's own leak with its curve, None where it was never measured."""
        return self._read(_OWN_LEAK, _own_leak)

    def keep_own_leak(self, measured: MeasuredOwnLeak) -> None:
        """Replace the rig's own leak and its curve."""
        curve = measured.curve
        self._replace(
            _OWN_LEAK,
            {
                "known": from_own_leak(measured.known),
                "curve": {
                    "flow_m3_s": float(curve.flow_m3_s),
                    "u_m3_s": float(curve.u_m3_s),
                    "time_s": _from_array(curve.curve_time_s),
                    "rise_m3_pa": _from_array(curve.curve_rise_m3_pa),
                },
            },
        )

    def ambient(self) -> KnownAmbient | None:
        """Get the air of the room as last read, None where it never was."""
        return self._read(
            _AMBIENT, lambda kept: KnownAmbient(kept["pressure_pa"], to_label(kept["measured_utc"]))
        )

    def keep_ambient(self, ambient: KnownAmbient) -> None:
        """Replace the air of the room."""
        self._replace(
            _AMBIENT,
            {
                "pressure_pa": float(ambient.pressure_pa),
                "measured_utc": from_label(ambient.measured_utc),
            },
        )

    def last_run(self) -> int:
        """Get the highest number that was ever given to a run in this folder, 0 before the first.

        It outlives the database, so that no number is given twice.
        """
        return self._read(_LAST_RUN, lambda kept: int(kept["run"])) or 0

    def keep_last_run(self, run: int) -> None:
        """Replace the highest number of a run."""
        self._replace(_LAST_RUN, {"run": int(run)}, keeps_before=False)

    def _read(self, name: str, made: Callable[[Any], T]) -> T | None:
        file = self._folder / name
        try:
            content = file.read_bytes()
        except FileNotFoundError:
            return None
        except OSError as error:
            raise StoreError(f"{file} cannot be read: {error.strerror}.") from error
        try:
            return made(_kept(content))
        except (ValueError, KeyError, TypeError) as error:
            raise StoreError(self._damaged(file)) from error

    def _damaged(self, file: Path) -> str:
        before = file.with_name(file.name + _BEFORE)
        said = f"{file} is damaged, changed by hand or of a newer program. {_REMEDIES[file.name]}"
        if self._is_sound(before):
            copied = " ".join(shlex.quote(str(each)) for each in (before, file))
            return f"{said}; or take what was kept before it: cp {copied}"
        return f"{said}."

    def _is_sound(self, file: Path) -> bool:
        try:
            _kept(file.read_bytes())
        except (OSError, ValueError, KeyError, TypeError):
            return False
        return True

    def _replace(self, name: str, kept: dict[str, Any], *, keeps_before: bool = True) -> None:
        file = self._folder / name
        plain = _plain(kept)
        text = json.dumps({"form": _FORM, "crc32": zlib.crc32(plain), "kept": kept}, indent=1)
        content = text.encode()
        with self._writing:
            if keeps_before and self._is_sound(file) and (old := file.read_bytes()) != content:
                replace_file(file.with_name(file.name + _BEFORE), old)
            replace_file(file, content)


def _plain(kept: Any) -> bytes:
    return json.dumps(kept, sort_keys=True).encode()


def _kept(content: bytes) -> Any:
    """Read the content of a file; raises ValueError, KeyError or TypeError when it is damaged."""
    whole = json.loads(content)
    if whole["form"] != _FORM or whole["crc32"] != zlib.crc32(_plain(whole["kept"])):
        raise ValueError("the checksum is that of other content")
    return whole["kept"]


def _from_array(array: Any) -> list[float] | None:
    return None if array is None else [float(number) for number in array]


def _own_leak(kept: Any) -> MeasuredOwnLeak:
    curve = kept["curve"]
    times, rises = curve["time_s"], curve["rise_m3_pa"]
    return MeasuredOwnLeak(
        to_own_leak(kept["known"]),
        OwnLeak(
            curve["flow_m3_s"],
            curve["u_m3_s"],
            None if times is None else np.array(times, dtype=np.float64),
            None if rises is None else np.array(rises, dtype=np.float64),
        ),
    )
