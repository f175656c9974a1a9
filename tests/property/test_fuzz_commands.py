"""Whatever the files say, a command ends with a result or with one sentence, and leaves nothing."""

from __future__ import annotations

import contextlib
import io
import json
import tempfile
from collections.abc import Sequence
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from antecurve.cli.main import run
from antecurve.pipeline import Design
from long_form import few

# What a bound finds late is no matter here.
pytestmark = pytest.mark.usefixtures("hurried_bounds")
FEW = settings(
    max_examples=few(6, of=15),
    deadline=None,
    suppress_health_check=list(HealthCheck),
    derandomize=True,
)
MANY = settings(FEW, max_examples=few(20, of=60))


def _invoke(folder: Path, *arguments: str) -> tuple[int, str]:
    """Exit code and what is said on stderr."""
    out, err = io.StringIO(), io.StringIO()
    with (
        contextlib.chdir(folder),
        contextlib.redirect_stdout(out),
        contextlib.redirect_stderr(err),
        pytest.raises(SystemExit) as stopped,
    ):
        run(list(arguments))
    code = stopped.value.code
    return code if isinstance(code, int) else 0, err.getvalue()


def _fine(files: dict[str, bytes], *arguments: str) -> None:
    """Run a command over files; check what it says, and that it leaves no file behind."""
    with tempfile.TemporaryDirectory() as directory:
        folder = Path(directory)
        for name, content in files.items():
            (folder / name).write_bytes(content)
        code, said = _invoke(folder, *arguments)
        assert code in (0, 1, 2)
        if code == 2:
            assert said.startswith("antecurve: ")
            assert said.count("\n") == 1
            assert len(said) < 2000
        assert "Traceback" not in said
        assert sorted(p.name for p in folder.iterdir()) == sorted(files)


OHMS = ["0 ohm", "50 ohm", "600", "47k", "1 Gohm", "-5", "1e999999", "nan", "", "5 F", "1e-300"]
FARADS = ["0 F", "150 pF", "1 F", "1e-30 F", "nan", "-1 nF", "2 ohm", "1e400"]
SECONDS = [
    "3180 us",
    "318 us",
    "75 us",
    "50 kHz",
    "0 s",
    "-1 us",
    "1e-30 s",
    "1e30 s",
    "50 Hz",
    "x",
]
NUMBERS = ["0", "1", "-1", "0.5", "1e308", "nan", "inf", "100", '"text"', "[]", "true"]
ELEMENTS = [
    ["R1 in a", "C1 in a", "R2 a out", "C2 a out", "R3 out 0"],
    ["R1 in out", "R2 out 0"],
    ["C1 in a", "C2 a out", "R1 out 0", "R2 in out"],
    ["R1 in a", "C1 a 0", "R2 a out", "C2 in out", "R3 out 0"],
    ["R1 in out"],
    ["X1 in out", "R2 out 0"],
    ["R1 in", "R2 out 0"],
    ["R1 in out 0 x", "R2 out 0"],
    [],
]


def _quoted(values: Sequence[str]) -> st.SearchStrategy[str]:
    return st.sampled_from(values).map(lambda v: f'"{v}"')


def _section(name: str, **keys: st.SearchStrategy[str]) -> st.SearchStrategy[str]:
    def text(chosen: dict[str, str]) -> str:
        return "\n".join([f"[{name}]", *(f"{k} = {v}" for k, v in chosen.items())]) + "\n"

    return st.fixed_dictionaries({}, optional=keys).map(text)


TIMES = st.lists(st.sampled_from(SECONDS), max_size=3).map(json.dumps)
CURVES = st.one_of(
    st.sampled_from(
        [
            '[curve]\nname = "disc"\nultrasonic_poles = ["50 kHz"]\n',
            '[curve]\nname = "disc"\n',
            '[curve]\nname = "nothing"\n',
            '[curve]\nturnover = "500 Hz"\ncut_at_10k = "12 dB"\nultrasonic_poles = ["50 kHz"]\n',
            "[curve]\n",
            "",
        ]
    ),
    _section("curve", zeros=TIMES, poles=TIMES, ultrasonic_poles=TIMES),
)
JOBS = st.tuples(
    CURVES,
    _section("source", resistance=_quoted(OHMS), level=_quoted(["0.5 V", "0 V", "1e9 V", "-1 V"])),
    _section("load", resistance=_quoted(OHMS), capacitance=_quoted(FARADS)),
    _section(
        "target",
        level=_quoted(["5 mV", "0 V", "10 V", "-40 dB", "1e-300 V"]),
        band=st.sampled_from(
            ['["20 Hz", "20 kHz"]', '["1 kHz", "1 kHz"]', '["1 mHz", "1 GHz"]', '["9 Hz"]', "1"]
        ),
        level_tolerance_db=st.sampled_from(NUMBERS),
        error_limit_db=st.sampled_from(NUMBERS),
    ),
    st.one_of(
        _section(
            "network",
            forms=st.sampled_from(['["foster-1"]', '"all"', '["cauer-9"]', "[]", '"foster-2"']),
            balanced=st.sampled_from(["true", "false", "1"]),
            output_resistance_max=_quoted(OHMS),
            input_impedance_min=_quoted(OHMS),
        ),
        st.sampled_from(ELEMENTS).map(lambda e: f"[network]\nelements = {json.dumps(e)}\n"),
    ),
    _section(
        "resistors",
        series=_quoted(["E96", "E24", "E3", "E7"]),
        tolerance=_quoted(["1 %", "0 %", "100 %", "-1 %"]),
        parts_per_position=st.sampled_from(["1", "2", "3"]),
        range=st.sampled_from(['["100 ohm", "1 Mohm"]', '["1 ohm", "1 ohm"]', '["2", "1"]']),
    ),
    st.sampled_from(["", '[capacitors]\ndrawer = "drawer.csv"\n', '[capacitors]\nseries = "E6"\n']),
    st.sampled_from(
        ["[spread]\nbuilds = 50\n", "[spread]\nbuilds = 0\n", "[spread]\nbuilds = 1\n"]
    ),
).map("".join)
CELLS = st.sampled_from(
    ["resistor", "capacitor", "4k7", "10n", "-1", "0", "nan", "inf", "1e400", "1 %", "", "=1", "x"]
) | st.text(max_size=6)
DAMAGE = st.lists(
    st.tuples(st.integers(0, 10**6), st.binary(max_size=4), st.integers(0, 6)), max_size=3
)


def _damaged(whole: bytes, damage: list[tuple[int, bytes, int]]) -> bytes:
    for at, data, gone in damage:
        start = at % (len(whole) + 1)
        whole = whole[:start] + data + whole[start + gone :]
    return whole


def _table(header: str, rows: list[list[str]], newline: str = "\n") -> bytes:
    lines = [header, *(",".join(row) for row in rows)]
    return newline.join(lines).encode("utf-8", "surrogatepass")


@FEW
@given(job=JOBS, budget=st.sampled_from(["0.05", "0", "-1", "1e-9"]), damage=DAMAGE)
def test_any_job(job: str, budget: str, damage: list[tuple[int, bytes, int]]) -> None:
    whole = f"{job}[pick]\nbudget_seconds = {budget}\n".encode()
    drawer = b"kind,value,quantity\ncapacitor,1n,2\ncapacitor,4n7,2\ncapacitor,10n,2\n"
    _fine({"job.toml": _damaged(whole, damage), "drawer.csv": drawer}, "design", "job.toml")


@FEW
@given(rows=st.lists(st.lists(CELLS, max_size=6), max_size=6), damage=DAMAGE)
def test_any_drawer(rows: list[list[str]], damage: list[tuple[int, bytes, int]]) -> None:
    good = [["capacitor", f"{v}n", "", "1 %", "2", "text"] for v in (1, 2, 5, 10, 22)]
    drawer = _table("kind,value,measured,tolerance,quantity,description", [*good, *rows])
    job = (
        b'[curve]\nname = "disc"\nultrasonic_poles = ["50 kHz"]\n'
        b'[capacitors]\ndrawer = "drawer.csv"\n[network]\nforms = ["foster-1"]\n'
        b"[pick]\nbudget_seconds = 0.05\n[spread]\nbuilds = 50\n"
    )
    _fine({"job.toml": job, "drawer.csv": _damaged(drawer, damage)}, "design", "job.toml")


@pytest.fixture(scope="module")
def design_bytes(default_design: Design) -> bytes:
    content = default_design.to_dict()
    content["job"]["spread"]["builds"] = 50
    return json.dumps(content).encode()


NUMERALS = st.sampled_from(
    ["1", "20", "1000", "0", "-3", "1e3", "nan", "inf", "1e999", "1,5", '"7"', "", " ", "x"]
)


@FEW
@given(
    header=st.sampled_from(
        ["frequency_hz,level_db", "frequency_hz,ratio,phase_deg", "time_s,volts", "volts", ""]
    ),
    start=st.integers(0, 200),
    rows=st.lists(st.lists(NUMERALS, max_size=4), max_size=5),
    damage=DAMAGE,
)
def test_any_capture(
    design_bytes: bytes,
    header: str,
    start: int,
    rows: list[list[str]],
    damage: list[tuple[int, bytes, int]],
) -> None:
    columns = header.count(",") + 1
    if header.startswith("time"):
        good = [[f"{i * 1e-5:.7g}", "0.5" if i % 200 < 100 else "-0.5"] for i in range(start * 10)]
    else:
        good = [[f"{20 * 1.035**i:.6g}", *["0.1"] * (columns - 1)] for i in range(start)]
    capture = _damaged(_table(header, [*good, *rows]), damage)
    files = {"unit.csv": capture, "design.json": design_bytes}
    _fine(files, "judge", "unit.csv", "--design", "design.json")
    _fine(files, "calibrate", "design.json", "--sweep", "unit.csv")


@FEW
@given(
    rows=st.lists(
        st.lists(
            st.sampled_from(["R1", "C1", "R2", "C2", "R3", "R4", "R9", "", "=R1"]) | CELLS,
            min_size=1,
            max_size=3,
        ),
        max_size=6,
    ),
    newline=st.sampled_from(["\n", "\r\n", "\r"]),
    damage=DAMAGE,
    command=st.sampled_from([("check",), ("trim", "--most-changes", "1")]),
)
def test_any_measured_values(
    design_bytes: bytes,
    rows: list[list[str]],
    newline: str,
    damage: list[tuple[int, bytes, int]],
    command: tuple[str, ...],
) -> None:
    values = _damaged(_table("ref,value", rows, newline), damage)
    files = {"values.csv": values, "design.json": design_bytes}
    _fine(files, command[0], "design.json", "--measured", "values.csv", *command[1:])


@FEW
@given(
    rows=st.lists(st.tuples(NUMERALS, NUMERALS).map(list), max_size=4),
    good=st.integers(0, 40),
    damage=DAMAGE,
    zeros=st.integers(-1, 4),
    poles=st.integers(-1, 4),
)
def test_any_curve_table(
    rows: list[list[str]],
    good: int,
    damage: list[tuple[int, bytes, int]],
    zeros: int,
    poles: int,
) -> None:
    proper = [[f"{20 * 1.2**i:.6g}", f"{(i % 9) - 3}.5"] for i in range(good)]
    table = _damaged(_table("frequency_hz,level_db", [*proper, *rows]), damage)
    arguments = ("--fit", "table.csv", "--zeros", str(zeros), "--poles", str(poles))
    with tempfile.TemporaryDirectory() as directory:
        (Path(directory) / "table.csv").write_bytes(table)
        code, said = _invoke(Path(directory), "curves", *arguments)
        assert code in (0, 1, 2)
        assert "Traceback" not in said


NODES = st.sampled_from(["in", "out", "0", "a", "b", "", "a b"])
STAGES = st.sampled_from(
    [
        "",
        '[[block]]\nname = "A1"\ninput = "in"\noutput = "a"\ngain = 30\n',
        '[[block]]\nname = "A1"\ninput = "a"\noutput = "in"\ngain = -1e9\n',
        '[[opamp]]\nname = "U1"\nplus = "in"\nminus = "b"\noutput = "out"\n',
        '[[opamp]]\nname = "U1"\nplus = "b"\nminus = "in"\noutput = "out"\n',
        '[[opamp]]\nname = "R1"\nplus = "in"\nminus = "in"\noutput = "in"\n',
    ]
)
POSITIONS = st.lists(
    st.tuples(
        st.sampled_from(["R1", "R2", "C1", "C2", "X1"]),
        NODES,
        NODES,
        st.sampled_from(["10k", "10n", "0", "-1", "nan", "1e400", "1"]),
    ),
    max_size=6,
    unique_by=lambda row: row[0],
).map(
    lambda rows: "[elements]\n" + "".join(
        f'{ref} = {{ nodes = ["{first}", "{second}"], value = "{value}" }}\n'
        for ref, first, second, value in rows
    )
)  # fmt: skip
ARRANGED = st.sampled_from(
    ['arrangement = "feedback"\n', 'arrangement = "valve stages"\n', 'arrangement = ""\n', ""]
)


@FEW
@given(arranged=ARRANGED, positions=st.just("") | POSITIONS, stages=STAGES, damage=DAMAGE)
def test_any_circuit_of_a_unit(
    design_bytes: bytes,
    arranged: str,
    positions: str,
    stages: str,
    damage: list[tuple[int, bytes, int]],
) -> None:
    whole = f'curve = "disc"\n{arranged}[input]\nresistance = "47k"\n{positions}{stages}'
    files = {"unit.toml": _damaged(whole.encode(), damage), "design.json": design_bytes,
             "unit.csv": b"time_s,volts\n0,1\n1,2\n"}  # fmt: skip
    _fine(files, "diagnose", "unit.csv", "--design", "design.json", "--unit", "unit.toml")


JSON_VALUES = st.recursive(
    st.none()
    | st.booleans()
    | st.integers()
    | st.floats()
    | st.text(max_size=8)
    | st.sampled_from([0, -1, 1e-300, 1e308, 10**400, "", "R1", "<b>", "=1+1", "nan"]),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner),
    max_leaves=5,
)
READERS = st.sampled_from(["parts", "loading", "scope", "sheet", "spread", "check"])


def _places(content: object, trail: tuple[object, ...] = ()) -> list[tuple[object, ...]]:
    trails = [trail] if trail else []
    items: list[tuple[object, object]] = []
    if isinstance(content, dict):
        items = list(content.items())
    elif isinstance(content, list):
        items = list(enumerate(content))
    for key, value in items:
        trails += _places(value, (*trail, key))
    return trails


@MANY
@given(
    command=READERS,
    edits=st.lists(st.tuples(st.integers(0, 10**6), JSON_VALUES), max_size=2),
    damage=st.just([]) | DAMAGE,
)
def test_any_design_file(
    design_bytes: bytes,
    command: str,
    edits: list[tuple[int, object]],
    damage: list[tuple[int, bytes, int]],
) -> None:
    content = json.loads(design_bytes)
    trails = _places({k: content[k] for k in ("format", "job", "network")})
    for number, value in edits:
        trail = trails[number % len(trails)]
        holder = content
        try:
            for key in trail[:-1]:
                holder = holder[key]
            holder[trail[-1]] = value
        except (KeyError, TypeError, IndexError):  # what held it is gone already
            continue
    whole = _damaged(json.dumps(content).encode(), damage)
    _fine({"design.json": whole}, command, "design.json")
