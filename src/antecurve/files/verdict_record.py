"""What stands beside a verdict in its file: who, when, through which network, from which files."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import ClassVar

from antecurve.files.reading import read_bytes
from antecurve.files.recordings import Recording
from antecurve.results import Result

__all__ = ["CaptureRecord", "FileDigest", "VerdictRecord", "capture_records", "file_digest"]

_LARGEST = 2**31  # bytes: more than any capture that is read


@dataclass(frozen=True, slots=True)
class FileDigest(Result):
    """A file by its content.

    Attributes
    ----------
    name : str
        Name of the file, without its folder.
    sha256 : str or None
        SHA-256 of its bytes in hexadecimal (FIPS 180-4); ``None`` for standard input and pipes.
    """

    name: str
    sha256: str | None


@dataclass(frozen=True, slots=True)
class CaptureRecord(Result):
    """A capture as it was read.

    Attributes
    ----------
    name : str
        Name of the file.
    kind, signal : str
        Kind of capture, and of its signal.
    understood : str
        What was understood of the file.
    sha256 : str or None
        As in `FileDigest`.
    played : FileDigest or None
        The file that was played.
    """

    name: str
    kind: str
    signal: str
    understood: str
    sha256: str | None
    played: FileDigest | None


@dataclass(frozen=True, slots=True)
class VerdictRecord(Result):
    """What a verdict rests on.

    Attributes
    ----------
    serial, date, operator, network_serial : str or None
        As the user states them; ``None`` where nothing is stated.
    title, form : str
        Title and network form of the design.
    digest : str or None
        SHA-256 of the design's file.
    position : str or None
        Position of its switch; ``None`` for a network of one curve.
    captures : tuple of CaptureRecord
        The captures.
    software : str
        Name and version of this package.
    """

    _keys: ClassVar = (
        "serial",
        "date",
        "operator",
        "network_serial",
        "design.title:title",
        "design.form:form",
        "design.digest:digest",
        "design.position:position",
        "captures",
        "software",
    )

    serial: str | None
    date: str | None
    operator: str | None
    network_serial: str | None
    title: str
    form: str
    digest: str | None
    position: str | None
    captures: tuple[CaptureRecord, ...]
    software: str


def file_digest(path: Path) -> FileDigest:
    """Compute the digest of a file.

    Parameters
    ----------
    path : Path
        The file.

    Returns
    -------
    FileDigest
        By SHA-256.

    Raises
    ------
    FileFormatError
        When it can't be read.
    """
    if not path.is_file():
        return FileDigest(path.name, None)
    content = read_bytes(path, largest=_LARGEST)
    return FileDigest(path.name, hashlib.sha256(content).hexdigest())


def capture_records(
    paths: Sequence[Path], recordings: Sequence[Recording], played: Sequence[Path | None]
) -> tuple[CaptureRecord, ...]:
    """Describe captures as they were read.

    Parameters
    ----------
    paths : sequence of Path
        Their files.
    recordings : sequence of Recording
        What was read of each.
    played : sequence of Path or None
        The file played during each, where one was named.

    Returns
    -------
    tuple of CaptureRecord
        One a capture.
    """
    records = []
    for path, recording, file in zip(paths, recordings, played, strict=True):
        capture = recording.capture
        records.append(
            CaptureRecord(
                capture.name,
                capture.kind_in_files,
                recording.signal or capture.usual_signal,
                recording.understood,
                file_digest(path).sha256,
                None if file is None else file_digest(file),
            )
        )
    return tuple(records)
