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
    ("antecurve.analysis.bench_plan", "bench_plan"),
    ("antecurve.analysis.drift", "drift"),
    ("antecurve.diagnose.diagnosis", "diagnose_unit"),
    ("antecurve.files.design_file", "read_design"),
    ("antecurve.judge.calibration", "calibrate_network"),
    ("antecurve.judge.verdicts", "judge_unit"),
)
"""What takes long: computed for each command at the first width alone."""


def arguments(command: str, design_file: Path) -> list[str]:
    """Write a command's arguments with the paths of its files."""
    words = command.split()
    return [w.replace("DESIGN", str(design_file)).replace("DATA", str(DATA)) for w in words]


class Once:
    """A function whose results in a command come again when the command runs again."""

    def __init__(self, module: str, name: str) -> None:
        home = importlib.import_module(module)
        self._compute = getattr(home, name)
        self._results: dict[tuple[str, int], object] = {}
        self.begin("")
        setattr(home, name, self)

    def begin(self, command: str) -> None:
        """Tell the command that runs now."""
        self._command, self._calls = command, 0

    def __call__(self, *given: object, **options: object) -> object:
        key = (self._command, self._calls)
        self._calls += 1
        if key not in self._results:
            self._results[key] = self._compute(*given, **options)
        return self._results[key]


def show(columns: int, command: str, design_file: Path) -> None:
    """Run one command, what it prints after a line that names it."""
    from antecurve.cli.main import run

    print(f"{BEGINS}{columns} {command}", flush=True)
    piped = io.StringIO()
    try:
        with contextlib.nullcontext() if columns else contextlib.redirect_stdout(piped):
            run(arguments(command, design_file))
    except SystemExit as ended:
        assert ended.code in (0, None, 1)
    print(piped.getvalue(), end="", flush=True)


def main(design_file: Path, widths: list[int]) -> None:
    """Print what every command prints at every width."""
    computed = [Once(module, name) for module, name in _ONCE]
    for columns in (0, *widths):
        fcntl.ioctl(1, termios.TIOCSWINSZ, struct.pack("HHHH", 24, columns, 0, 0))
        for command in COMMANDS:
            for each in computed:
                each.begin(command)
            show(columns, command, design_file)


if __name__ == "__main__":
    main(Path(sys.argv[1]), [int(word) for word in sys.argv[2:]])
