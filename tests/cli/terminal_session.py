"""Run commands on the pseudo-terminal that stdout is, at one width after the other, and piped.

Run as a program: ``python terminal_session.py DESIGN.json WIDTH...``.  Each print begins with a
line of its width, 0 for what a pipe gets, and its command.
"""

from __future__ import annotations

import contextlib
import fcntl
import importlib
import io
import struct
import sys
import termios
from pathlib import Path
from typing import Any

from antecurve.cli import delivery

DATA = Path(__file__).parents[2] / "data"
COMMANDS = (
    "sheet DESIGN", "parts DESIGN", "loading DESIGN", "scope DESIGN", "curves", "curves disc",
    "formulas --design DESIGN", "check DESIGN",
    "calibrate DESIGN --sweep DATA/build-1-sweep.csv",
    "diagnose DATA/unit-b-200hz.csv --design DESIGN --unit DATA/unit-b.toml",
)  # fmt: skip
BEGINS = "\x1e"
"""ASCII's record separator: no command prints it."""
_ONCE = (
    ("antecurve.files.design_file", "read_design"),
    ("antecurve.pipeline", "design_formulas"),
)
"""What takes long in commands that hand nothing to `deliver`."""


def arguments(command: str, design_file: Path) -> list[str]:
    """Write a command's arguments with the paths of its files."""
    words = command.split()
    return [w.replace("DESIGN", str(design_file)).replace("DATA", str(DATA)) for w in words]


class Once:
    """A function whose result, and the results that it keeps, come again with the same arguments.

    Parameters
    ----------
    module, name : str
        Where commands import it from.
    """

    def __init__(self, module: str, name: str) -> None:
        home = importlib.import_module(module)
        self._compute = getattr(home, name)
        self._results: dict[str, object] = {}
        setattr(home, name, self)

    def __call__(self, *given: object, **options: object) -> object:
        key = repr((given, options))
        if key not in self._results:
            self._results[key] = self._compute(*given, **options)
        return self._results[key]


class Delivered:
    """What each command hands to `deliver`, to be shown again at another width."""

    def __init__(self) -> None:
        self._deliver = delivery.deliver
        self._given: dict[str, dict[str, Any]] = {}
        delivery.deliver = self

    def __call__(self, **given: Any) -> None:
        self._given[self.command] = given
        self._deliver(**given)

    def run(self, command: str, design_file: Path) -> None:
        """Run a command; where it has run before, show only what it delivered.

        Words that it prints beside that are then missing, which fails.
        """
        from antecurve.cli.main import run

        self.command = command
        if command in self._given:
            self._deliver(**self._given[command])
        else:
            run(arguments(command, design_file))


def show(columns: int, command: str, design_file: Path, commands: Delivered) -> None:
    """Run one command, what it prints after a line that names it."""
    print(f"{BEGINS}{columns} {command}", flush=True)
    piped = io.StringIO()
    try:
        with contextlib.nullcontext() if columns else contextlib.redirect_stdout(piped):
            commands.run(command, design_file)
    except SystemExit as ended:
        assert ended.code in (0, None, 1)
    print(piped.getvalue(), end="", flush=True)


def main(design_file: Path, widths: list[int]) -> None:
    """Print what every command prints at every width."""
    for module, name in _ONCE:
        Once(module, name)
    commands = Delivered()
    for columns in (0, *widths):
        fcntl.ioctl(1, termios.TIOCSWINSZ, struct.pack("HHHH", 24, columns, 0, 0))
        for command in COMMANDS:
            show(columns, command, design_file, commands)


if __name__ == "__main__":
    main(Path(sys.argv[1]), [int(word) for word in sys.argv[2:]])
