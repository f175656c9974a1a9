"""Run commands on the pseudo-terminal that stdout is, at one width after the other, and piped.

Run as a program: ``python terminal_session.py DESIGN.json WIDTH...``.  Each print begins with a
line of its width, 0 for what a pipe gets, and its command.  What takes long is computed once.
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
    ("antecurve.diagnose.diagnosis", "diagnose_unit"),
    ("antecurve.judge.verdicts", "judge_unit"),
)


def arguments(command: str, design_file: Path) -> list[str]:
    """Write a command's arguments with the paths of its files."""
    words = command.split()
    return [w.replace("DESIGN", str(design_file)).replace("DATA", str(DATA)) for w in words]


def remember(module: str, name: str) -> None:
    """Let a function of one design and one unit give its first result again."""
    home = importlib.import_module(module)
    compute = getattr(home, name)
    results: list[object] = []

    def once(*given: object, **options: object) -> object:
        if not results:
            results.append(compute(*given, **options))
        return results[0]

    setattr(home, name, once)


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
    for module, name in _ONCE:
        remember(module, name)
    for columns in (0, *widths):
        fcntl.ioctl(1, termios.TIOCSWINSZ, struct.pack("HHHH", 24, columns, 0, 0))
        for command in COMMANDS:
            show(columns, command, design_file)


if __name__ == "__main__":
    main(Path(sys.argv[1]), [int(word) for word in sys.argv[2:]])
