"""Arguments and options that several commands share."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Optional

import typer

__all__ = ["AsJson", "DesignFile", "Force", "OutputFile", "OutputFolder"]

AsJson = Annotated[bool, typer.Option("--json", help="Print the result as JSON on stdout.")]
Force = Annotated[bool, typer.Option("--force", help="Overwrite what is there.")]
DesignFile = Annotated[
    Path, typer.Argument(metavar="DESIGN.json", help="A design that antecurve design wrote.")
]
OutputFolder = Annotated[
    Optional[Path],  # noqa: UP045
    typer.Option("--output", "-o", metavar="DIR", help="Folder to write into."),
]
OutputFile = Annotated[
    Optional[Path],  # noqa: UP045
    typer.Option("--output", "-o", metavar="FILE", help="File to write."),
]
