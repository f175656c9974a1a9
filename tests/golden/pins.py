"""Results pinned to files: what a change of structure must not change.

Run as a program (``python tests/golden/pins.py FOLDER [GROUP...]``) it writes the results anew;
``test_pins.py`` compares.  Texts and structure compare exactly, numbers to a relative 1e-9, which
is what linear algebra libraries of different processors leave, and percentiles over builds to 1e-6.
``ANTECURVE_PINS=bytes`` compares every byte, for work on one machine.
"""

from __future__ import annotations

import contextlib
import io
import itertools
import json
import math
import re
import sys
from collections.abc import Iterator
from pathlib import Path

HERE = Path(__file__).parent
PINNED = HERE / "pinned"
DATA = HERE.parents[1] / "data"
JOBS = tuple(sorted(p.stem for p in (HERE / "jobs").glob("*.toml")))
TRIMMED = frozenset({"bench", "drawer", "own", "pair"})
"""A trim takes half of a job's time: of a series, a drawer, any network, and two channels."""
BUILT = TRIMMED | {"balanced", "output-capacitor"}
"""A check takes a third of the rest: of these, and of positions that others have not."""
BUILDS_WITHIN = 1e-6
"""Errors of builds are made in single precision, which gives them to 1e-6 of their size
(`antecurve.networks.build_errors`); processors add up the terms in other orders."""
_OF_BUILDS = re.compile(r'"centred_db": \{[^{}]*\}')
_SECONDS = re.compile(r'("seconds": )[-+.eE\d]+')
_DIGEST = re.compile(r'("digest": )"[0-9a-f]+"')


def _command(*arguments: object) -> str:
    """Standard output of a command line, the code it ends with in front."""
    from antecurve.cli.main import run

    out = io.StringIO()
    code: object = 0
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(io.StringIO()):
        try:
            run([str(a) for a in arguments])
        except SystemExit as stopped:
            code = stopped.code
    return f"exit {code}\n{out.getvalue()}"


def _measured(design: Path) -> str:
    """Values of a build, every third part 1 % high, the next 0.7 % low."""
    content = json.loads(design.read_text(encoding="utf-8"))
    lines = ["ref,value"]
    factors = itertools.cycle((1.01, 0.993, 1.0))
    for element, factor in zip(content["network"]["elements"], factors, strict=False):
        lines.append(f"{element['ref']},{element['value'] * factor!r}")
    return "\n".join(lines) + "\n"


def _design_files(name: str) -> dict[str, bytes]:
    """Files of the design of one job; the page, which nothing here reads, is left out."""
    from antecurve.files.design_folder import design_files
    from antecurve.files.job_drawer import read_job_drawer
    from antecurve.files.job_file import read_job
    from antecurve.pipeline import design

    job = read_job(HERE / "jobs" / f"{name}.toml")
    return design_files(design(job, drawer=read_job_drawer(job)))


def job_results(name: str, folder: Path) -> Iterator[tuple[str, str]]:
    """Names and texts of what one job gives."""
    files = _design_files(name)
    for file in ("design.json", "parts.csv", "response.csv", "network.cir"):
        yield file, files[file].decode()
    design = folder / f"{name}.json"
    design.write_bytes(files["design.json"])
    measured = folder / f"{name}-values.csv"
    measured.write_text(_measured(design), encoding="utf-8")
    for command in ("spread", "loading", "parts"):
        yield f"{command}.json", _command(command, design, "--json")
    if name in BUILT:
        yield "check.json", _command("check", design, "--measured", measured, "--json")
    if name in TRIMMED:
        yield "trim.json", _command("trim", design, "--measured", measured, "--json")
    yield "sheet.json", _command("sheet", design, "--json")
    yield "scope.json", _command("scope", design, "--frequency", 200, "--json")


def bench_results(folder: Path) -> Iterator[tuple[str, str]]:
    """Names and texts of verdicts on the demo units and the other commands about the bench."""
    design = folder / "bench.json"
    measured = ("--measured", DATA / "build-1-values.csv")
    captures = [DATA / f"unit-b-{f}hz.csv" for f in (200, 30)]
    dated = ("--date", "2026-05-04", "--json")  # else the day's own
    yield "verdict-b.json", _command("judge", *captures, "--design", design, *measured, *dated)
    one = DATA / "unit-a-200hz.csv"
    yield "verdict-one.json", _command("judge", one, "--design", design, *dated)
    sweep = DATA / "build-1-sweep.csv"
    yield "calibrate.json", _command("calibrate", design, "--sweep", sweep, "--json")
    yield "curves.json", _command("curves", "--json")
    for name in ("foster-1", "cauer-2", "rc-shunt-foster-2", "cascade-long-first"):
        yield f"formulas-{name}.json", _command("formulas", name, "--json")


def exact_results() -> Iterator[tuple[str, str]]:
    """Exact values, or the refusal, of every form for eighteen curves with their loadings."""
    from antecurve.curves.catalogue import named_curve
    from antecurve.curves.construct import curve_from_turnover, with_limits
    from antecurve.curves.model import Curve
    from antecurve.errors import AntecurveError
    from antecurve.networks.topology import Loading
    from antecurve.synthesis.exact import exact_network, form_names

    disc = named_curve("disc")
    amended = named_curve("disc-amended")
    curves: dict[str, Curve] = {
        "disc": disc,
        "disc 50k": with_limits(disc, ultrasonic_poles_hz=(50e3,)),
        "disc 50k 200k": with_limits(disc, ultrasonic_poles_hz=(50e3, 200e3)),
        "amended": with_limits(amended, low_end_bound_hz=2.0, ultrasonic_poles_hz=(50e3,)),
        "older": with_limits(
            curve_from_turnover(turnover_hz=500.0, cut_db=13.7, shelf_hz=50.0),
            ultrasonic_poles_hz=(45e3,),
        ),
        "no shelf": with_limits(
            curve_from_turnover(turnover_hz=400.0, cut_db=12.0), ultrasonic_poles_hz=(60e3,)
        ),
    }
    loads = (Loading(50.0, 47e3, 150e-12), Loading(600.0, 47e3, 0.0), Loading(75.0, 100.0, 0.0))
    shunt = 60.0  # across the output, below every load above
    gains = itertools.cycle((0.01, 0.003))  # each with every curve, and with every load
    for (title, curve), loading in itertools.product(curves.items(), loads):
        gain = next(gains)
        lines = []
        for form in form_names():
            try:
                exact = exact_network(
                    form, curve, loading=loading, gain=gain, shunt_resistance=shunt
                )
                lines.append({"form": form, "values": exact.network.values.tolist()})
            except AntecurveError as error:
                lines.append({"form": form, "refused": str(error)})
        yield (
            f"{title} {loading.source_resistance:g} {loading.load_resistance:g} {gain:g}.json",
            json.dumps(lines, indent=1),
        )


def group_results(group: str, folder: Path) -> Iterator[tuple[str, str]]:
    """Names and texts of one group: a job, ``verdicts`` or ``exact``."""
    if group == "exact":
        return exact_results()
    if group == "verdicts":
        (folder / "bench.json").write_bytes(_design_files("bench")["design.json"])
        return bench_results(folder)
    return job_results(group, folder)


GROUPS = (*JOBS, "verdicts", "exact")


def settled(text: str) -> str:
    """The text without what changes from run to run."""
    # The path of a drawer is absolute in a design: it starts with where the tests are.
    text = _SECONDS.sub(r"\g<1>0", text.replace(str(HERE), "tests/golden"))
    # A design's file holds how long its search took.
    return _DIGEST.sub(r'\g<1>""', text)


def numbers_apart(text: str) -> tuple[str, list[float], list[bool]]:
    """The text with every number replaced, the numbers, and which are percentiles over builds."""
    values: list[float] = []
    of_builds: list[bool] = []
    spans = [match.span() for match in _OF_BUILDS.finditer(text)]

    def out(match: re.Match[str]) -> str:
        values.append(float(match[0]))
        of_builds.append(any(first < match.start() < last for first, last in spans))
        return "#"

    pattern = r"(?<![\w.])[-+]?\d+(?:\.\d+)?(?:[eE][-+]?\d+)?(?![\w.])"
    return re.sub(pattern, out, text), values, of_builds


def alike(text: str, pinned: str, *, within: float = 1e-9) -> str:
    """Return the first difference in words, or nothing; numbers agree to a relative `within`."""
    words, numbers, of_builds = numbers_apart(settled(text))
    pinned_words, pinned_numbers, _ = numbers_apart(settled(pinned))
    if words != pinned_words:
        for number, (new, old) in enumerate(
            itertools.zip_longest(words.splitlines(), pinned_words.splitlines())
        ):
            if new != old:
                return f"line {number + 1}: {new!r}, pinned {old!r}"
    for value, old_value, coarse in zip(numbers, pinned_numbers, of_builds, strict=True):
        relative = max(within, BUILDS_WITHIN) if coarse else within
        if not math.isclose(value, old_value, rel_tol=relative, abs_tol=1e-12):
            return f"{value!r}, pinned {old_value!r}"
    return ""


if __name__ == "__main__":
    import tempfile

    target = Path(sys.argv[1])
    for group in sys.argv[2:] or GROUPS:
        with tempfile.TemporaryDirectory() as made:
            for file, text in group_results(group, Path(made)):
                path = target / group / file
                path.parent.mkdir(parents=True, exist_ok=True)
                path.write_text(settled(text), encoding="utf-8")
