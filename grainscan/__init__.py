"""Slope of grain, growth rings and sorting of chairmaking blanks, from phone photographs.

The names below are the public interface. Each is loaded when it is first used, so that
importing the package costs next to nothing.
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from grainscan.errors import (
        BlankNotFoundError,
        GrainscanError,
        InputError,
        PhotoError,
        RecordError,
    )
    from grainscan.judge.limits import (
        limit_for_part,
        limit_keeping_strength,
        parse_limit,
    )
    from grainscan.judge.sorting import judge_blank
    from grainscan.photo.folder import BlankPhotos, find_blanks, read_blank_folder
    from grainscan.photo.reading import Photo, read_photo
    from grainscan.results import (
        BlankMeasurement,
        BlankRecord,
        BlankResult,
        EndScan,
        FaceScan,
        FibreDirection,
        Limit,
        LocalTrouble,
        PhotoQuality,
        SlopeInSpace,
        Station,
        SteepestPlace,
        StrengthShare,
    )
    from grainscan.scan import measure_blank, scan_blank

_WHERE = {
    "BlankMeasurement": "results",
    "BlankNotFoundError": "errors",
    "BlankPhotos": "photo.folder",
    "BlankRecord": "results",
    "BlankResult": "results",
    "EndScan": "results",
    "FaceScan": "results",
    "FibreDirection": "results",
    "GrainscanError": "errors",
    "InputError": "errors",
    "Limit": "results",
    "LocalTrouble": "results",
    "Photo": "photo.reading",
    "PhotoError": "errors",
    "PhotoQuality": "results",
    "RecordError": "errors",
    "SlopeInSpace": "results",
    "Station": "results",
    "SteepestPlace": "results",
    "StrengthShare": "results",
    "find_blanks": "photo.folder",
    "judge_blank": "judge.sorting",
    "limit_for_part": "judge.limits",
    "limit_keeping_strength": "judge.limits",
    "measure_blank": "scan",
    "parse_limit": "judge.limits",
    "read_blank_folder": "photo.folder",
    "read_photo": "photo.reading",
    "scan_blank": "scan",
}

__all__ = [
    "BlankMeasurement",
    "BlankNotFoundError",
    "BlankPhotos",
    "BlankRecord",
    "BlankResult",
    "EndScan",
    "FaceScan",
    "FibreDirection",
    "GrainscanError",
    "InputError",
    "Limit",
    "LocalTrouble",
    "Photo",
    "PhotoError",
    "PhotoQuality",
    "RecordError",
    "SlopeInSpace",
    "Station",
    "SteepestPlace",
    "StrengthShare",
    "find_blanks",
    "judge_blank",
    "limit_for_part",
    "limit_keeping_strength",
    "measure_blank",
    "parse_limit",
    "read_blank_folder",
    "read_photo",
    "scan_blank",
]


def __getattr__(name: str) -> Any:
    if name not in _WHERE:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    value = getattr(importlib.import_module(f"{__name__}.{_WHERE[name]}"), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
