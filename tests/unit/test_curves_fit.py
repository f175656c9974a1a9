"""Fits of time constants: known answers, refusals, remarks; the reader of a table."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest

from antecurve.curves.fit import fit_curve
from antecurve.curves.model import Curve, level_db
from antecurve.errors import FileFormatError, InputError
from antecurve.files.curve_table import read_curve_table

FREQUENCY = np.geomspace(20, 20e3, 31)
CURVES = [
    Curve("two zeros", (3180e-6, 75e-6), (318e-6,)),
    Curve("no shelf", (100e-6,), (318e-6,), zeros_at_origin=1),
    Curve("tape", (3180e-6,), (50e-6,)),
    Curve("rise", (7950e-6,), (2e-6,), poles_at_origin=1),
]


@pytest.mark.parametrize("curve", CURVES, ids=lambda c: c.name)
def test_time_constants_of_an_exact_table_are_found(curve: Curve) -> None:
    fit = fit_curve(
        frequency_hz=FREQUENCY,
        level_db=level_db(curve, FREQUENCY) + 7.0,
        zeros=len(curve.zeros_s),
        poles=len(curve.poles_s),
        zeros_at_origin=curve.zeros_at_origin,
        poles_at_origin=curve.poles_at_origin,
    )
    # The least-squares solver ends at 1e-8 relative or better; 2 us is 80 kHz, hardly seen.
    assert fit.curve.zeros_s == pytest.approx(curve.zeros_s, rel=1e-5)
    assert fit.curve.poles_s == pytest.approx(curve.poles_s, rel=1e-5)
    assert fit.offset_db == pytest.approx(7.0, abs=1e-6)
    assert fit.rms_db < 1e-6
    assert fit.largest_db >= fit.rms_db


def test_uncertainty_follows_the_scatter() -> None:
    """Over many scattered tables the fitted values spread as the fit itself says."""
    curve = CURVES[0]
    rng = np.random.default_rng(5)
    values, said = [], []
    for _ in range(40):
        level = level_db(curve, FREQUENCY) + rng.normal(0, 0.1, len(FREQUENCY))
        fit = fit_curve(frequency_hz=FREQUENCY, level_db=level, zeros=2, poles=1)
        values.append(np.log([*fit.curve.zeros_s, *fit.curve.poles_s]))
        said.append(fit.relative_uncertainty)
    # 40 samples give a standard deviation to 11 %; three of these.
    assert np.std(values, axis=0) == pytest.approx(np.mean(said, axis=0), rel=0.34)


def test_too_many_time_constants_are_remarked_upon() -> None:
    level = level_db(Curve("one", (75e-6,), ()), FREQUENCY)
    level = level + 0.02 * np.sin(np.arange(len(FREQUENCY)))
    fit = fit_curve(frequency_hz=FREQUENCY, level_db=level, zeros=2, poles=1)
    assert fit.remarks
    assert any("leave it out" in r or "fewer" in r for r in fit.remarks)


@pytest.mark.parametrize(
    ("change", "field"),
    [
        ({"frequency_hz": [100.0, 1000.0]}, "table"),
        ({"frequency_hz": [0.0] * 31}, "frequency_hz"),
        ({"frequency_hz": [100.0] * 31}, "frequency_hz"),
        ({"level_db": [math.nan] * 31}, "level_db"),
        ({"zeros": 5}, "zeros"),
        ({"zeros": 0, "poles": 0}, "zeros"),
        ({"zeros_at_origin": 2}, "zeros_at_origin"),
        ({"frequency_hz": FREQUENCY[:4], "level_db": [0.0] * 4}, "table"),
    ],
)
def test_unusable_input_is_refused(change: dict[str, object], field: str) -> None:
    arguments: dict[str, object] = {
        "frequency_hz": FREQUENCY,
        "level_db": np.zeros(31),
        "zeros": 2,
        "poles": 1,
    }
    with pytest.raises(InputError) as refused:
        fit_curve(**(arguments | change))  # type: ignore[arg-type]
    assert refused.value.field == field


def test_a_table_is_read(tmp_path: Path) -> None:
    file = tmp_path / "levels.csv"
    file.write_text(
        "# from an old label\nLevel_dB, frequency_hz ,remark\n\n1.5,2000,x\n0,1000,\n", "utf-8"
    )
    table = read_curve_table(file)
    assert table.frequency_hz.tolist() == [1000.0, 2000.0]
    assert table.level_db.tolist() == [0.0, 1.5]


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "an empty file"),
        ("frequency_hz,level\n1,2\n", "line 1.*needs a column level_db"),
        ("frequency_hz,level_db\n", "no row follows the names"),
        ("frequency_hz,level_db\n100,0\n\n200,x\n", "line 4.*a frequency and a level"),
        ("frequency_hz,level_db\n100\n", "line 2.*a frequency and a level"),
        ("frequency_hz,level_db\n-5,0\n", "line 2.*above 0 Hz"),
        ("frequency_hz,level_db\n5,inf\n", "line 2.*finite level"),
        ("frequency_hz,level_db\n5,0\n5,1\n", "line 3.*earlier row"),
    ],
)
def test_a_bad_table_is_refused_by_row(tmp_path: Path, text: str, words: str) -> None:
    file = tmp_path / "levels.csv"
    file.write_text(text, encoding="utf-8")
    with pytest.raises(FileFormatError, match=words):
        read_curve_table(file)
