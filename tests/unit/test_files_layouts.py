"""More layouts of captures, each read rightly or refused with both readings; all are invented."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from antecurve.errors import AntecurveError
from antecurve.files.judging_texts import readings_of
from antecurve.files.recordings import ReadingOptions, read_recording
from antecurve.judge.square_wave import SquareWaveCapture
from antecurve.judge.sweep import SweepCapture
from written_tables import COUNT, HERTZ, LEVEL, ONE, PHASE, STEP, TIME, TWO, table, written

IDLE = np.zeros(COUNT)
ROWS = np.arange(COUNT)
RATIO = 10 ** (LEVEL / 20)
HALF_VOLT = np.full(HERTZ.size, 0.5)


def rows(pattern: str, *columns: np.ndarray) -> str:
    """Rows by a pattern of their own."""
    return "".join(pattern.format(*row) + "\n" for row in zip(*columns, strict=True))


def beside(keys: tuple[str, ...], *columns: np.ndarray) -> str:
    """Rows of numbers with a description in the columns before them."""
    blank = "," * keys[0].count(",")
    head = [*keys, *[blank] * (len(columns[0]) - len(keys))]
    return "".join(
        f"{key},{','.join(f'{x:.9g}' for x in row)}\n"
        for key, row in zip(head, zip(*columns, strict=True), strict=True)
    )


READ: dict[str, str | bytes] = {
    "unit of time in the description": "Time units,us\nVertical units,V\nTime,CH1\n"
    + table(TIME * 1e6, ONE),
    "units of both axes in the description": "Horizontal Units: ms\nVertical Units: mV\nTime\tA\n"
    + table(TIME * 1e3, ONE * 1e3, sep="\t"),
    "interval in three cells, its key with a colon": "Sample interval:,4e-06,s\nCH1 (V)\n"
    + table(ONE),
    "interval with a decimal comma": "Sample Interval:;4,0e-06;s\nIndex;CH1 (V)\n"
    + table(ROWS, ONE, sep=";", comma=True),
    "period of sampling in three cells": "Sampling period,4,us\nIndex,CH1 (V)\n"
    + table(ROWS, ONE),
    "increment in three cells, tabs": "Increment:\t4\tus\nCH1 (V)\n" + table(ONE),
    "a probe above a row of units": "Sample interval:,4e-06,s\nProbe,10X\nPoint,Volt\n"
    + table(ROWS, ONE),
    "rate in two cells above two columns": "Rate,250000\nIndex,Volt\n" + table(ROWS, ONE),
    "rate with its unit in the key": "Sample Rate (Hz),250000\nCH1 (V)\n" + table(ONE),
    "rate in kilosamples": "Sample rate: 250 kSa/s\nIndex,Volt\n" + table(ROWS, ONE),
    "rate with marks of thousands": "Sampling rate: 250,000 S/s\nIndex,Volt\n" + table(ROWS, ONE),
    "increments of both axes": "Y increment,0.0078125\nX increment,4e-06\nCH1 (V)\n" + table(ONE),
    "start and increment beside the names": "X,CH1,Start,Increment\nSequence,Volt,-1.0e-4,4.0e-6\n"
    + rows("{},{:.9g},", ROWS, ONE),
    "increment of volts above times": "Vertical increment,0.0078125\nTime (s),CH1 (V)\n"
    + table(TIME, ONE),
    "period of the signal above times": "Period,2.0e-4\nTime (s),CH1 (V)\n" + table(TIME, ONE),
    "rate above times": "Sample Rate: 250 kHz\nTime,CH1\n" + table(TIME, ONE),
    "rate that tells the unit of time": "Sample Rate: 250 kHz\nTime,CH1\n" + table(TIME * 1e3, ONE),
    "rate before every second sample was written": "Sample Rate: 500 kHz\nTime (s),CH1 (V)\n"
    + table(TIME, ONE),
    "unit behind in": "Time in ms,Volt\n" + table(TIME * 1e3, ONE),
    "units alone, in words": "Milliseconds,Volts\n" + table(TIME * 1e3, ONE),
    "units in words": "Time (microseconds),CH1 (millivolts)\n" + table(TIME * 1e6, ONE * 1e3),
    "units in capitals": "TIME (US),CH1 (MV)\n" + table(TIME * 1e6, ONE * 1e3),
    "Greek mu": "Time,Channel A\n(\u03bcs),(V)\n\n" + table(TIME * 1e6, ONE),
    "unit before a node": "time,V(out)\n" + table(TIME, ONE, sep="\t"),
    "numbered channels above units": "x-axis,1,2\nsecond,Volt,Volt\n" + table(TIME, ONE, IDLE),
    "channels that are off, at the end": "Time (s),CH1 (V),CH2 (V),CH3 (V)\n"
    + rows("{:.9g},{:.9g},,", TIME, ONE),
    "a channel that is off, between": "Time (s),CH1 (V),CH2 (V)\n"
    + rows("{:.9g},,{:.9g}", TIME, ONE),
    "leading separator": ",Time (s),CH1 (V)\n" + rows(",{:.9g},{:.9g}", TIME, ONE),
    "description in the columns before": beside(("Model,bench", "Points,200"), TIME, ONE),
    "increment in the columns before": beside(
        ("Record Length,200,Points", "Sample Interval,4e-06,s"), TIME, ONE
    ),
    "blanks as marks of thousands": "time (ns);volts (V)\n"
    + rows("{:,};{:.4f}", 4000 * ROWS, ONE).replace(",", " "),
    "commas as marks of thousands": "time (ns);volts (V)\n" + rows("{:,};{:.4f}", 4000 * ROWS, ONE),
    "points as marks of thousands": "time (ns);volts (V)\n"
    + rows("{:,};{:.4f}", 4000 * ROWS, ONE).translate(str.maketrans(",.", ".,")),
    "apostrophes as marks of thousands": "time (ns);volts (V)\n"
    + rows("{:,};{:.4f}", 4000 * ROWS, ONE).replace(",", "'"),
    "exponents with decimal commas": "time (s);volts (V)\n"
    + rows("{:.5E};{:.4E}", TIME, ONE).replace(".", ","),
    "header repeated": "time (s),ch1 (V)\n"
    + "time (s),ch1 (V)\n".join(table(TIME[k:][:50], ONE[k:][:50]) for k in range(0, 200, 50)),
    "lines behind the table": "time (s),ch1 (V)\n" + table(TIME, ONE) + "\nEnd\nMean,0.01\n",
    "comments between rows": "time (s),ch1 (V)\n" + table(TIME[:99], ONE[:99]) + "# second page\n"
    + table(TIME[99:], ONE[99:]),
    "times beside each channel": "Time,CH1,Time,CH2\n" + table(TIME, ONE, TIME, IDLE),
    "UTF-16 without a byte-order mark": ("Time (us)\tA (V)\n"
                                         + table(TIME * 1e6, ONE, sep="\t")).encode("utf-16-le"),
    "non-breaking blanks": "Time (s)\u00a0;A\u00a0(V)\n" + table(TIME, ONE, sep="\u00a0;\u00a0"),
    "carriage returns alone": ("Time (s),A (V)\n" + table(TIME, ONE)).replace("\n", "\r"),
    "minus signs of typography": "Time (s),A (V)\n" + table(TIME, ONE).replace("-", "\u2212"),
    "times rounded to more than a step": "Time (s),CH1 (V)\n" + rows("{:.5f},{}", STEP * ROWS, ONE),
    "numbers of rows before the times": "No,Time (ms),CH1 (V)\n" + table(ROWS, TIME * 1e3, ONE),
    "numbers of rows before the times, no names": table(ROWS, TIME, ONE),
    "a current beside": "Time (s),Current (A),Out (V)\n" + table(TIME, TWO, ONE),
    "bars between columns": "time (s)|ch1 (V)\n" + table(TIME, ONE, sep="|"),
    "a line that names the separator": "sep=;\ntime (s);ch1 (V)\n" + table(TIME, ONE, sep=";"),
    "a header with commas above blanks": "# time (s), ch1 (V)\n" + table(TIME, ONE, sep="  "),
    "one column with trailing tabs": "Increment=4,0E-06\nCH1\t\n(Volts)\t\n\n"
    + rows("{:.6E}\t", ONE).replace(".", ","),
}  # fmt: skip


@pytest.mark.parametrize("layout", READ)
def test_times_are_read(layout: str, tmp_path: Path) -> None:
    capture = read_recording(written(tmp_path, READ[layout])).capture
    assert isinstance(capture, SquareWaveCapture)
    # The files print nine digits, or four decimals as `ONE` has.
    assert capture.volts == pytest.approx(ONE, abs=1e-8)
    # Times rounded to 10 µs, half of it as error, tell a step over 200 rows to some 2e-4.
    rounded = "rounded" in layout
    assert np.diff(capture.time_s) == pytest.approx(STEP, rel=1e-3 if rounded else 1e-4)


SWEEPS: dict[str, str] = {
    "megahertz": "Frequency (MHz),Level (dB)\n" + table(HERTZ / 1e6, LEVEL),
    "a ratio": "Frequency (Hz),Gain (V/V)\n" + table(HERTZ, RATIO),
    "a linear gain": "Frequency (Hz),Gain (linear)\n" + table(HERTZ, RATIO),
    "volts peak to peak": "Frequency (Hz),Output (Vpp)\n" + table(HERTZ, RATIO),
    "input rms, output peak to peak": "Frequency (Hz),Input (Vrms),Output (Vpp)\n"
    + table(HERTZ, HALF_VOLT, RATIO * np.sqrt(2.0)),
    "input and output in dBu": "Freq [Hz]\tInput [dBu]\tOutput [dBu]\n"
    + table(HERTZ, LEVEL - 20.0, 2.0 * LEVEL - 20.0, sep="\t"),
    "level re a stated voltage": "Freq (Hz),Level (dB re 1 V)\n" + table(HERTZ, LEVEL),
    "phase in words": "Frequency (Hz);Level (dB);Phase (radians)\n"
    + table(HERTZ, LEVEL, np.deg2rad(PHASE), sep=";"),
    "phase without a unit, beyond a turn in radians": "Frequency (Hz),Level (dB),Phase\n"
    + table(HERTZ, LEVEL, PHASE),
    "names in another language": "Fréquence (Hz);Niveau (dB)\n"
    + table(HERTZ, LEVEL, sep=";", comma=True),
    "numbers of rows before": "No.,Frequency (Hz),Level (dB)\n"
    + table(np.arange(7), HERTZ, LEVEL),
    "distortion beside": "Frequency (Hz),Level (dB),THD (%)\n" + table(HERTZ, LEVEL, RATIO),
    "units behind in": "Frequency in kHz,Level in dB\n" + table(HERTZ / 1e3, LEVEL),
    "gain beside its two levels": "Freq (Hz),Vin (V),Vout (V),Gain (dB)\n"
    + table(HERTZ, HALF_VOLT, 0.5 * RATIO, LEVEL),
    "input and output by their names": "f (Hz),Vin,Vout\n" + table(HERTZ, HALF_VOLT, 0.5 * RATIO),
    "volts in and out": "Hz,V in,V out\n" + table(HERTZ, HALF_VOLT, 0.5 * RATIO),
    "real and imaginary part, from which the phase": "Frequency (Hz),Re,Im\n"
    + table(HERTZ, RATIO * np.cos(np.deg2rad(PHASE)), RATIO * np.sin(np.deg2rad(PHASE))),
    "marks of thousands in quotes": '"Frequency (Hz)","Level (dB)"\n'
    + rows('"{:,.1f}","{:.2f}"', HERTZ, LEVEL),
}  # fmt: skip


@pytest.mark.parametrize("layout", SWEEPS)
def test_sweeps_are_read(layout: str, tmp_path: Path) -> None:
    capture = read_recording(written(tmp_path, SWEEPS[layout])).capture
    assert isinstance(capture, SweepCapture)
    assert capture.frequency_hz == pytest.approx(HERTZ, rel=1e-8)
    assert capture.level_db - capture.level_db[3] == pytest.approx(LEVEL, abs=1e-6)
    if "phase" in layout:
        assert capture.phase_deg == pytest.approx(PHASE, abs=1e-6)


OPEN: dict[str, tuple[str, str]] = {
    "period of the signal above a column": ("Period,2.0e-4\nCH1 (V)\n" + table(ONE),
                                            "without a sampling rate"),
    "an unknown unit of time": ("Time (min),CH1 (V)\n" + table(TIME / 60, ONE), "--time-unit"),
    "fine milliseconds without a unit": (
        "Time,CH1\n" + table(np.arange(20_000) * 1e-4, np.tile(ONE, 100)), "--time-unit"),
    "decimal commas between commas": (
        "time,volts\n" + rows("{:.5E},{:.4E}", TIME, ONE).replace(".", ","), "--decimal"),
    "thousands or decimals, commas": (
        "Frequency (Hz);Level (dB)\n1,000;-3\n2,000;-5\n10,000;-13\n20,000;-19\n", "--decimal"),
    "thousands or decimals, points": (
        "Frequency (Hz);Level (dB)\n1.000;-3\n2.000;-5\n10.000;-13\n20.000;-19\n", "--decimal"),
    "out of range by SCPI": (
        "time (s),ch1 (V)\n" + table(TIME, ONE).replace("1.26", "9.9E+37", 3), "clipped"),
    "out of range in words": (
        "time (s),ch1 (V)\n" + table(TIME, ONE).replace("1.26", "+OVER", 3), "clipped"),
    "out of range by dashes": (
        "time (s),ch1 (V)\n" + table(TIME, ONE).replace("1.26", "---", 3), "clipped"),
    "out of range, shortened": (
        "time (s),ch1 (V)\n" + table(TIME, ONE).replace("1.26", "OFL", 3), "clipped"),
    "a second table": ("time (s),ch1 (V)\n" + table(TIME, ONE) + "\ntime (s),ch2 (V)\n"
                       + table(TIME, TWO), "line 203"),
    "a cell beside": ("time (s),ch1 (V)\n" + table(TIME, ONE).replace("1.26", "1.26,7", 1),
                                "this row has more"),
    "dates": (rows("2026-01-05 12:00:00.{:06},{}", 4 * ROWS, ONE), "clock times"),
    "times of the day": ("Time,CH1 (V)\n" + rows("12:00:00.{:06},{}", 4 * ROWS, ONE),
                         "clock times"),
    "numbers of samples": ("Sample,CH1 (V)\n" + table(ROWS, ONE), "without a sampling rate"),
    "a current alone": ("Time (s),Current (A)\n" + table(TIME, ONE), "--units"),
    "angular frequency": ("Frequency (rad/s),Level (dB)\n" + table(HERTZ * 6.2832, LEVEL), "rad/s"),
    "logarithms of frequency": ("log f,Level (dB)\n" + table(np.log10(HERTZ), LEVEL), "--units"),
    "kilohertz without a unit": ("Frequency,Level (dB)\n" + table(HERTZ / 1e3, LEVEL), "--units"),
    "level without a unit": ("Frequency (Hz),Amplitude\n" + table(HERTZ, RATIO), "--units"),
    "phase without a unit": ("Frequency (Hz),Level (dB),Phase\n"
                             + table(HERTZ, LEVEL, np.deg2rad(PHASE)), "--units"),
    "phase in gon": ("Frequency (Hz),Level (dB),Phase (gon)\n" + table(HERTZ, LEVEL, PHASE), "gon"),
    "volts without names": (table(HERTZ, RATIO), "--units"),
    "input and output without names": (table(HERTZ, HALF_VOLT, 0.5 * RATIO), "--units"),
    "which of two columns is the level": ("Frequency (Hz),A,B\n" + table(HERTZ, RATIO, LEVEL),
                                          r"1 \(a\), 2 \(b\)"),
    "frequencies with a suffix": (
        "Frequency (Hz);Gain (dB)\n" + rows("{};-3", 100 * ROWS[1:10]) + "1k;-4\n2k;-5\n",
        "line 11, column 1"),
    "a letter in the first row": ("Time (s),CH1 (V)\n0,O.5\n" + table(TIME[1:], ONE[1:]),
                                  "line 2: received '0,O.5'"),
    "a decimal comma in one column": ("Sampling rate: 250 kHz\nA;V\n" + table(ONE, comma=True),
                                      "--decimal"),
    "volts that no meter shows": ("Time (s),CH1 (V)\n" + table(TIME, 1e300 * ONE), "out of range"),
    "out of range in quotes": ("Time (s),CH1 (V)\n" + table(TIME, ONE) + '1,"-Inf"\n2,0.1\n',
                               "out of range"),
    "out of range as a C library writes it": (
        "Time (s),CH1 (V)\n" + table(TIME, ONE) + "1,1.#INF\n2,0.1\n", "out of range"),
    "two of four channels": (
        "Time (s),A (V),B (V),C (V),D (V)\n" + table(TIME, IDLE, ONE, IDLE, TWO),
        r"2 of 4 channels with a signal: 2 \(b\), 4 \(d\)"),
    "no channel with a signal": ("Time (s),A (V),B (V)\n" + table(TIME, IDLE, IDLE),
                                 "no channel with a signal"),
    "a number of the channel that is not its name's": (
        "Time (s),CH2 (V),CH3 (V)\n" + table(TIME, ONE, TWO), r"1 \(ch2\), 2 \(ch3\)"),
    "microseconds without a unit": (
        "Time,CH1\n" + table(TIME * 1e9, ONE), "in ms the record lasts 796 s, in µs 796 ms;"),
    "two channels of a sweep": ("Freq (Hz),CH1 (V),CH2 (V)\n" + table(HERTZ, RATIO, HALF_VOLT),
                                "--channel 1 to 2"),
}  # fmt: skip


@pytest.mark.parametrize("layout", OPEN)
def test_what_may_be_either_is_refused(layout: str, tmp_path: Path) -> None:
    content, says = OPEN[layout]
    with pytest.raises(AntecurveError, match=says) as caught:
        read_recording(written(tmp_path, content))
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    ("content", "options"),
    [
        (table(TIME * 1e6, ONE * 1e3), ReadingOptions(units="us,mV")),
        (table(ROWS, TIME * 1e3, TWO, ONE), ReadingOptions(units="-,ms,-,V")),
        ("Rate: 250 kHz\n" + table(ROWS, ONE), ReadingOptions(units="#,V")),
        (rows("{:.5E},{:.4E}", TIME, ONE).replace(".", ","), ReadingOptions(decimal="comma")),
    ],
)
def test_options_decide_on_times(content: str, options: ReadingOptions, tmp_path: Path) -> None:
    capture = read_recording(written(tmp_path, content), options).capture
    assert isinstance(capture, SquareWaveCapture)
    assert capture.volts == pytest.approx(ONE, abs=1e-8)
    assert np.diff(capture.time_s) == pytest.approx(STEP, rel=1e-4)


@pytest.mark.parametrize(
    ("content", "options"),
    [
        (table(HERTZ, RATIO), ReadingOptions(units="Hz,V")),
        (table(HERTZ / 1e3, LEVEL, PHASE), ReadingOptions(units="kHz,dB,-")),
        ("Freq (Hz),CH1 (V),CH2 (V)\n" + table(HERTZ, 0.5 * RATIO**2, 0.5 * RATIO),
         ReadingOptions(channel=1, stimulus=2)),
    ],
)  # fmt: skip
def test_options_decide_on_sweeps(content: str, options: ReadingOptions, tmp_path: Path) -> None:
    capture = read_recording(written(tmp_path, content), options).capture
    assert isinstance(capture, SweepCapture)
    assert capture.frequency_hz == pytest.approx(HERTZ, rel=1e-8)
    assert capture.level_db == pytest.approx(LEVEL, abs=1e-6)


@pytest.mark.parametrize(
    ("units", "says"), [("us", "state as many units"), ("us,furlong", "use units such as")]
)
def test_units_that_do_not_fit_are_refused(units: str, says: str, tmp_path: Path) -> None:
    path = written(tmp_path, table(TIME, ONE))
    with pytest.raises(AntecurveError, match=says):
        read_recording(path, ReadingOptions(units=units))


def test_a_record_that_was_cut_off_is_told(tmp_path: Path) -> None:
    path = written(tmp_path, "Samples,400\ntime (s),ch1 (V)\n" + table(TIME, ONE))
    assert "of 400 points by the header" in read_recording(path).understood


def test_decimal_commas_behind_a_run_of_whole_numbers(tmp_path: Path) -> None:
    volts = np.where(ROWS < 12, 0.0, ONE)
    path = written(
        tmp_path, "time (us);volts (V)\n" + table(4.0 * ROWS, volts, sep=";", comma=True)
    )
    capture = read_recording(path).capture
    assert isinstance(capture, SquareWaveCapture)
    assert capture.volts == pytest.approx(volts, abs=1e-9)


@pytest.mark.parametrize(
    ("content", "says"),
    [
        ("Time (s),CH2 (V)\n" + table(TIME, ONE), "channel 1 (ch2) in V, "),
        ("Time (s),CH1 (V)\n" + table(TIME, ONE), "channel 1 in V, 200"),
        ("Time (s),CH1 (V),CH2 (V)\n" + table(TIME, IDLE, ONE),
         "channel 2 in V, the only one of 2 with a signal"),
        ("Sample rate: 1 MHz\nTime (s),CH1 (V)\n" + table(TIME, ONE),
         "column 1, not 1 MHz as the header says"),
        ("Sample rate: 250 kHz\nTime (s),CH1 (V)\n" + table(TIME, ONE), "column 1, channel 1"),
    ],
)  # fmt: skip
def test_what_was_guessed_is_said(content: str, says: str, tmp_path: Path) -> None:
    assert says in read_recording(written(tmp_path, content)).understood


@pytest.mark.parametrize("mark", ["point", "comma"])
def test_a_stated_mark_counts_only_where_a_file_reads_either_way(mark: str, tmp_path: Path) -> None:
    """Files of two instruments beside each other: each tells its own mark."""
    points = written(tmp_path, "time (s),volts (V)\n" + table(TIME, ONE), "points.csv")
    commas = written(
        tmp_path, "time (s);volts (V)\n" + table(TIME, ONE, sep=";", comma=True), "commas.csv"
    )
    for path in (points, commas):
        capture = read_recording(path, ReadingOptions(decimal=mark)).capture
        assert isinstance(capture, SquareWaveCapture)
        assert capture.volts == pytest.approx(ONE, abs=1e-8)


def test_marks_are_for_all_captures_or_for_each() -> None:
    def marks(*given: str, captures: int) -> list[str | None]:
        readings = readings_of(
            ["2"], channel=None, stimulus_at=None, time_unit=None, decimal=given, captures=captures
        )
        assert all(r.stimulus == 2 for r in readings)
        return [r.decimal for r in readings]

    assert marks(captures=2) == [None, None]
    assert marks("comma", captures=2) == ["comma", "comma"]
    assert marks("comma", "point", captures=2) == ["comma", "point"]
    with pytest.raises(AntecurveError, match=r"--decimal.*give one for all captures, or 3"):
        marks("comma", "point", captures=3)
