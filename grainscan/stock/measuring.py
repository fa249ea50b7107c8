"""One blank's photographs to its measurement, in whatever process or machine it runs."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path

from grainscan.batch import fault_line
from grainscan.errors import GrainscanError, PhotoError
from grainscan.results import BlankMeasurement, BlankRecord
from grainscan.scan import PhotoSource, measure_sources
from grainscan.stock.records import Role
from grainscan.wording import plain_name

__all__ = ["JobPhotograph", "Measure", "Measured", "ScanJob", "measure_job", "measure_photographs"]

Measure = Callable[
    [BlankRecord, Mapping[Role, PhotoSource], tuple[str, ...]],
    BlankMeasurement,
]


@dataclass(frozen=True, slots=True)
class JobPhotograph:
    """A photograph's role, file and content hash."""

    role: Role
    path: Path
    sha256: str


@dataclass(frozen=True, slots=True)
class ScanJob:
    """One blank to measure; ``problems`` are lines about its files known before."""

    record: BlankRecord
    photographs: tuple[JobPhotograph, ...]
    problems: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Measured:
    """The measurement, or the line why there is none and the blank is to be tried again."""

    measurement: BlankMeasurement | None
    problem: str | None = None


def measure_photographs(
    record: BlankRecord, sources: Mapping[Role, PhotoSource], problems: tuple[str, ...]
) -> BlankMeasurement:
    """Measure a blank from its photographs by role."""
    return measure_sources(
        record,
        face_a=sources.get("face_a"),
        face_b=sources.get("face_b"),
        end=sources.get("end"),
        problems=problems,
    )


def measure_job(job: ScanJob, measure: Measure = measure_photographs) -> Measured:
    """Read the photographs and measure them; never raises for what they hold.

    What is measured is the content that the job names, whatever has become of the file.
    """
    try:
        sources = {p.role: PhotoSource(_content(p), p.path.name) for p in job.photographs}
        return Measured(measure(job.record, sources, job.problems))
    except GrainscanError as error:
        return Measured(None, str(error))
    except MemoryError:
        return Measured(None, "there is too little memory to scan it. Try with --workers 1.")
    except Exception as error:
        # A fault of ours on one blank must not cost the user the rest of the batch.
        return Measured(None, fault_line(error))


def _content(photograph: JobPhotograph) -> bytes:
    name = plain_name(photograph.path.name)
    try:
        content = photograph.path.read_bytes()
    except FileNotFoundError:
        raise PhotoError(
            f"{name}: not found where it is scanned ({plain_name(str(photograph.path.parent))}). "
            "Put the photographs where every machine reaches them under the same name."
        ) from None
    except OSError as error:
        raise PhotoError(f"{name}: the file cannot be read ({error.strerror}).") from error
    if hashlib.sha256(content).hexdigest() != photograph.sha256:
        raise PhotoError(f"{name}: the file was changed while the batch ran. Do it again.")
    return content
