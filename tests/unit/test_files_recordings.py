"""Files in layouts that instruments and sound interfaces write; every file here is invented."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from antecurve.errors import AntecurveError
from antecurve.files.recordings import ReadingOptions, read_recording
from antecurve.judge.square_wave import SquareWaveCapture
from antecurve.judge.sweep import SweepCapture
from antecurve.judge.two_channel import TwoChannelRecord
from antecurve.signals.request import SignalRequest
from antecurve.signals.signal import make_signal, run_start
from written_tables import COUNT, HERTZ, LEVEL, ONE, PHASE, STEP, TIME, TWO, table, written


def quoted(*columns: np.ndarray) -> str:
    """Cells with a decimal comma between quotes, commas between cells."""
    rows = zip(*columns, strict=True)
    return "\n".join(",".join('"' + f"{x:.9g}".replace(".", ",") + '"' for x in r) for r in rows)


NO_HEADER: dict[str, str | bytes] = {
    "two columns, no header": table(TIME, ONE),
    "names": "Time,Channel 1\n" + table(TIME, ONE),
    "names and units in two rows": "Source,CH1\nSecond,Volt\n" + table(TIME, ONE),
    "units in parentheses": "Time (s),CH1 (V)\n" + table(TIME, ONE),
    "units in brackets, ms and mV": "time [ms];output [mV]\n"
    + table(TIME * 1e3, ONE * 1e3, sep=";"),
    "units in a row of their own": "(us),(mV)\n\n" + table(TIME * 1e6, ONE * 1e3),
    "metadata with colons": "Title: bench 3\nCoupling: DC\nMemory: 200\nt/us\tu/V\n"
    + table(TIME * 1e6, ONE, sep="\t"),
    "metadata in cells": "Trigger,CH1,rising\nTimebase,2.0e-5\n\nTime (s),Volts (V)\n"
    + table(TIME, ONE),
    "metadata behind a hash": "# averaged 16 times\n# time_s volts\n" + table(TIME, ONE, sep=" "),
    "decimal comma, semicolon": "Zeit (s);Ausgang (V)\n" + table(TIME, ONE, sep=";", comma=True),
    "decimal comma, tab": "time (ms)\tvolts (V)\n" + table(TIME * 1e3, ONE, sep="\t", comma=True),
    "decimal comma in quotes": '"time (s)","volts (V)"\n' + quoted(TIME, ONE),
    "blanks between cells": "     time_s      volts\n" + table(TIME, ONE, sep="     "),
    "trailing separator": "time (s),ch1 (V),\n" + table(TIME, ONE).replace("\n", ",\n"),
    "carriage return and line feed": ("time (us),ch1 (V)\r\n"
                                      + table(TIME * 1e6, ONE).replace("\n", "\r\n")),
    "byte-order mark": b"\xef\xbb\xbf" + ("Time (s),A (V)\n" + table(TIME, ONE)).encode(),
    "UTF-16": ("Time (µs)\tA (V)\n" + table(TIME * 1e6, ONE, sep="\t")).encode("utf-16"),
    "Latin-1 with a micro sign": ("t (µs);A (V)\n" + table(TIME * 1e6, ONE, sep=";")).encode(
        "latin-1"
    ),
    "blank lines between rows": "time (s),ch1 (V)\n" + table(TIME, ONE).replace("\n", "\n\n"),
    "last row cut off": "time (s),ch1 (V)\n" + table(TIME, ONE) + "0.0007",
    "an idle second channel": "time (s),ch1 (V),ch2 (V)\n" + table(TIME, ONE, 1e-5 * TWO),
    "index and sampling rate": "Sampling rate: 250 kHz\nPoint,Volt\n"
    + table(np.arange(COUNT), ONE),
    "increment in the header": "Start,-1e-4\nIncrement (us),4\nSamples,200\n" + table(ONE),
    "increment in the header, one column with its unit": (
        "Increment,4e-6,s\nSamples,200\nCH1 (V)\n" + table(ONE)
    ),
    "exponents": "time (s),ch1 (V)\n"
    + "\n".join(f"{t:.6E},{v:+.5E}" for t, v in zip(TIME, ONE, strict=True)),
}  # fmt: skip


@pytest.mark.parametrize("layout", NO_HEADER)
def test_one_channel_of_time(layout: str, tmp_path: Path) -> None:
    recording = read_recording(written(tmp_path, NO_HEADER[layout]))
    capture = recording.capture
    assert isinstance(capture, SquareWaveCapture)
    # The files print nine digits.
    assert capture.volts == pytest.approx(ONE, abs=1e-9)
    assert np.diff(capture.time_s) == pytest.approx(STEP, rel=1e-4)
    assert "200 points at 250" in recording.understood or "column" in recording.understood


SWEEPS: dict[str, str] = {
    "names with units": "Frequency (Hz),Level (dB)\n" + table(HERTZ, LEVEL),
    "kilohertz": "f [kHz];a [dB]\n" + table(HERTZ / 1e3, LEVEL, sep=";"),
    "phase in degrees": "Frequency (Hz),Gain (dB),Phase (deg)\n" + table(HERTZ, LEVEL, PHASE),
    "phase in radians": "freq_hz,gain_db,phase_rad\n" + table(HERTZ, LEVEL, np.deg2rad(PHASE)),
    "input and output in volts": "Freq (Hz),Vin (V),Vout (mV)\n"
    + table(HERTZ, np.full(7, 0.5), 500.0 * 10 ** (LEVEL / 20)),
    "output in volts": "Freq (Hz),Output (V)\n" + table(HERTZ, 10 ** (LEVEL / 20)),
    "units behind a blank": "freq Hz\tout V\n" + table(HERTZ, 10 ** (LEVEL / 20), sep="\t"),
    "falling frequencies": "Frequency (Hz),Level (dBV)\n" + table(HERTZ[::-1], LEVEL[::-1]),
    "no names": table(HERTZ, LEVEL),
    "decimal comma": "Frequenz (Hz);Pegel (dB)\n" + table(HERTZ, LEVEL, sep=";", comma=True),
}


@pytest.mark.parametrize("layout", SWEEPS)
def test_sweeps(layout: str, tmp_path: Path) -> None:
    recording = read_recording(written(tmp_path, SWEEPS[layout]))
    capture = recording.capture
    assert isinstance(capture, SweepCapture)
    assert capture.frequency_hz == pytest.approx(HERTZ, rel=1e-8)
    assert capture.level_db == pytest.approx(LEVEL, abs=1e-6)
    if "phase" in layout:
        assert capture.phase_deg == pytest.approx(PHASE, abs=1e-6)
    assert "7 frequencies from 20 Hz to 20 kHz" in recording.understood


def test_channels_are_chosen(tmp_path: Path) -> None:
    path = written(tmp_path, "time (s),ch1 (V),ch2 (mV)\n" + table(TIME, ONE, TWO * 1e3))
    with pytest.raises(AntecurveError, match="--channel"):
        read_recording(path)
    second = read_recording(path, ReadingOptions(channel=2)).capture
    assert isinstance(second, SquareWaveCapture)
    assert second.volts == pytest.approx(TWO, abs=1e-9)
    with pytest.raises(AntecurveError, match=r"channels of .*: 2"):
        read_recording(path, ReadingOptions(channel=3))


@pytest.mark.parametrize(
    ("content", "options", "says"),
    [
        (table(TIME * 1e6, ONE), {}, "--time-unit"),
        ("1,2,3,4\n2,2,3,5\n", {}, "--decimal"),
        ("time (s),ch1 (V)\n" + table(TIME, ONE).replace("1.26", "inf", 1), {}, "clipped"),
        (
            "time (s),ch1 (V)\n" + table(TIME, ONE).replace("1.26", "x", 1),
            {},
            r"line \d+, column 2",
        ),
        ("no numbers here\n", {}, "no table of numbers"),
        ("a,b,c\n" + table(ONE, ONE, TWO), {}, "state their units, as in --units"),
        ("f (Hz),a (dB),b (dB)\n" + table(HERTZ, LEVEL, LEVEL), {}, "--channel 1 to 2"),
        (table(np.arange(1.0, 201.0), ONE), {}, "sample numbers without a sampling rate"),
        (table(np.arange(2.0, 202.0), ONE), {}, "--units s,V or --units Hz,dB"),
        ("Sampling rate: 0 kHz\nPoint,Volt\n" + table(np.arange(COUNT), ONE), {}, "greater than 0"),
        ("Increment: -4e-6\nVolt\n" + table(ONE), {}, "greater than 0"),
        (table(TIME, ONE), {"channel": 0}, "count from 1"),
        (table(TIME, ONE), {"channel": 1, "stimulus": 1}, "give another"),
        (table(TIME, ONE), {"time_unit": "h"}, "use one of"),
    ],
)
def test_what_is_open_is_asked(
    content: str, options: dict[str, object], says: str, tmp_path: Path
) -> None:
    path = written(tmp_path, content)
    with pytest.raises(AntecurveError, match=says) as caught:
        read_recording(path, ReadingOptions(**options))  # type: ignore[arg-type]
    assert "\n" not in str(caught.value)


def test_options_decide(tmp_path: Path) -> None:
    path = written(tmp_path, table(TIME * 1e6, ONE))
    capture = read_recording(path, ReadingOptions(time_unit="us")).capture
    assert isinstance(capture, SquareWaveCapture)
    assert np.diff(capture.time_s) == pytest.approx(STEP, rel=1e-4)


SOUND: dict[str, tuple[str, str]] = {
    "16 bits": ("record.wav", "PCM_16"),
    "24 bits": ("record.wav", "PCM_24"),
    "32 bits": ("record.wav", "PCM_32"),
    "float": ("record.wav", "FLOAT"),
    "FLAC": ("record.flac", "PCM_24"),
    "AIFF": ("record.aiff", "PCM_16"),
}


@pytest.mark.parametrize("layout", SOUND)
@pytest.mark.parametrize("rate", [44_100, 96_000])
def test_sound_files(layout: str, rate: int, tmp_path: Path) -> None:
    soundfile = pytest.importorskip("soundfile")
    name, subtype = SOUND[layout]
    rng = np.random.default_rng(1)
    stimulus = 0.2 * rng.standard_normal(rate // 2)
    output = np.convolve(stimulus, [0.5, 0.2])[: stimulus.size] + 0.01 * rng.standard_normal(
        stimulus.size
    )
    soundfile.write(tmp_path / name, np.stack([stimulus, output], axis=1), rate, subtype)
    options = ReadingOptions(stimulus=1, stimulus_at="input")
    recording = read_recording(tmp_path / name, options)
    record = recording.capture
    assert isinstance(record, TwoChannelRecord)
    assert record.rate_hz == pytest.approx(rate)
    # Half a step of 16 bits.
    np.testing.assert_allclose(record.volts, output, rtol=0.0, atol=2.0**-15)
    assert "stimulus at the unit's input on channel 1, output on channel 2" in recording.understood


def test_a_truncated_sound_file(tmp_path: Path) -> None:
    pytest.importorskip("soundfile")
    with pytest.raises(AntecurveError, match="WAV, FLAC or AIFF"):
        read_recording(written(tmp_path, b"RIFF\x00\x00", "record.wav"))


def test_an_empty_sound_file(tmp_path: Path) -> None:
    soundfile = pytest.importorskip("soundfile")
    soundfile.write(tmp_path / "record.wav", np.zeros((0, 2)), 48_000)
    with pytest.raises(AntecurveError, match="a sound without samples"):
        read_recording(tmp_path / "record.wav")


def test_a_sound_file_whose_samples_no_interface_writes(tmp_path: Path) -> None:
    soundfile = pytest.importorskip("soundfile")
    samples = np.full((100, 1), 1e300)
    soundfile.write(tmp_path / "record.wav", samples, 48_000, subtype="DOUBLE")
    with pytest.raises(AntecurveError, match="times full scale"):
        read_recording(tmp_path / "record.wav")


def test_a_sound_file_that_claims_more_samples_than_it_can_hold(tmp_path: Path) -> None:
    soundfile = pytest.importorskip("soundfile")
    path = tmp_path / "record.flac"
    soundfile.write(path, np.zeros(5000), 48_000)
    data = bytearray(path.read_bytes())
    data[21] |= 0x0F  # the upper four of 36 bits that count the samples (RFC 9639, section 8.2)
    path.write_bytes(data)
    with pytest.raises(AntecurveError, match="samples by its header"):
        read_recording(path)


def mutated(text: bytes, rng: np.random.Generator) -> bytes:
    """A file with a few bytes changed, cut out or doubled."""
    data = bytearray(text)
    for _ in range(int(rng.integers(1, 6))):
        at = int(rng.integers(0, max(1, len(data))))
        choice = int(rng.integers(0, 3))
        if choice == 0:
            data[at : at + 1] = bytes([int(rng.integers(0, 256))])
        elif choice == 1:
            del data[at : at + int(rng.integers(1, 40))]
        else:
            data[at:at] = data[at : at + int(rng.integers(1, 40))]
    return bytes(data)


@pytest.mark.sweep(3)
@pytest.mark.parametrize("seed", range(8))
def test_mutated_files_are_read_or_refused_in_a_sentence(seed: int, tmp_path: Path) -> None:
    rng = np.random.default_rng([33, seed])
    sources: list[str | bytes] = [*NO_HEADER.values(), *SWEEPS.values()]
    for _ in range(30):
        source = sources[int(rng.integers(0, len(sources)))]
        raw = source if isinstance(source, bytes) else source.encode()
        path = written(tmp_path, mutated(raw, rng))
        try:
            recording = read_recording(path)
        except AntecurveError as error:
            assert "\n" not in str(error)
        else:
            assert recording.understood


def test_volts_that_no_file_states_are_said_to_be_assumed(tmp_path: Path) -> None:
    noise = np.random.default_rng(1).standard_normal((2, 5000))
    rows = table(STEP * np.arange(5000), noise[0], noise[0] + noise[1])
    for heading, assumed in (("Time (s),CH1 (V),CH2 (V)", False), ("Time (s),CH1 (V),CH2", True)):
        path = written(tmp_path, f"Probe,10\n{heading}\n{rows}")
        read = read_recording(path, ReadingOptions(stimulus=1))
        assert read.played is not None and read.played.output_in_volts
        assert read.played.assumed_volts == assumed == ("state --units" in read.understood)
        assert "probe of 10:1 by the header taken as multiplied in" in read.understood


@pytest.mark.parametrize(
    "line",
    ["Probe,10X", "Probe attenuation, 10", "Probe: 10:1", "probe;x10", "Attenuation,1.0E+01,X"],
)
def test_a_probe_in_the_header_is_said_with_what_decides(line: str, tmp_path: Path) -> None:
    path = written(tmp_path, f"{line}\nTime,CH1\ns,V\n" + table(TIME, ONE))
    read = read_recording(path)
    assert isinstance(read.capture, SquareWaveCapture)
    assert read.capture.volts == pytest.approx(ONE, abs=1e-9)
    assert "taken as multiplied in (if not, state 10V in --units)" in read.understood
    decided = read_recording(path, ReadingOptions(units="s,10V"))
    assert isinstance(decided.capture, SquareWaveCapture)
    assert decided.capture.volts == pytest.approx(10.0 * ONE, abs=1e-8)
    assert "in V times 10" in decided.understood and "probe" not in decided.understood
    path = written(tmp_path, "Probe,1X\nTime (s),CH1 (V)\n" + table(TIME, ONE))
    assert "probe" not in read_recording(path).understood


@pytest.mark.parametrize(("name", "subtype"), [("r.wav", "PCM_24"), ("r.aiff", "PCM_16")])
def test_samples_that_a_header_states_and_the_file_lacks_are_said(
    name: str, subtype: str, tmp_path: Path
) -> None:
    """The recorder stopped: of a second a quarter is not in the file, and the rest is judged."""
    soundfile = pytest.importorskip("soundfile")
    noise = 0.1 * np.random.default_rng(2).standard_normal((48_000, 2))
    noise[:, 1] += noise[:, 0]
    soundfile.write(tmp_path / name, noise, 48_000, subtype)
    whole = (tmp_path / name).read_bytes()
    options = ReadingOptions(stimulus=1)
    assert "missing" not in read_recording(tmp_path / name, options).understood
    (tmp_path / name).write_bytes(whole[: -12_000 * 2 * int(subtype[-2:]) // 8])
    read = read_recording(tmp_path / name, options)
    assert "the last 250 ms of the 1 s that its header states are missing" in read.understood
    assert read.capture.volts.size == 36_000  # type: ignore[attr-defined]
    (tmp_path / name).write_bytes(whole[: 3000 * 2 * int(subtype[-2:]) // 8])
    with pytest.raises(AntecurveError, match=r"samples'; .*\(the last 9\d\d\.?\d* ms of the 1 s"):
        read_recording(tmp_path / name, options)


def test_a_header_that_leaves_the_length_open_lacks_nothing(tmp_path: Path) -> None:
    """A recorder that writes to a pipe states the largest size; here 0xFFFFFFFF."""
    soundfile = pytest.importorskip("soundfile")
    path = tmp_path / "record.wav"
    soundfile.write(path, 0.1 * np.random.default_rng(3).standard_normal((8000, 2)), 48_000)
    data = bytearray(path.read_bytes())
    at = data.index(b"data") + 4
    data[at : at + 4] = b"\xff" * 4
    path.write_bytes(data)
    assert "missing" not in read_recording(path, ReadingOptions(stimulus=1)).understood


def test_a_square_wave_with_silence_about_it_is_no_capture(tmp_path: Path) -> None:
    """Its file would say when it sounds; a slow wave that decays between its edges lasts."""
    soundfile = pytest.importorskip("soundfile")
    made = make_signal(SignalRequest("square", seconds=2.0)).samples
    path = tmp_path / "record.wav"
    soundfile.write(path, 0.5 * made, 48_000, "PCM_24")
    with pytest.raises(AntecurveError, match="with the cue of its file'; name what was played"):
        read_recording(path)
    start = run_start(SignalRequest("square", seconds=2.0))
    soundfile.write(path, made[start - 20_000 : start + 60_000], 48_000, "PCM_24")
    with pytest.raises(AntecurveError, match=r"silence of 0\.4 s beside"):
        read_recording(path)
    since_edge_s = np.arange(8 * 24_000) % 24_000 / 48e3
    sign = 1.0 - 2.0 * (np.arange(8 * 24_000) // 24_000 % 2)
    soundfile.write(path, 0.5 * sign * np.exp(-since_edge_s / 0.01), 48_000, "PCM_24")
    assert isinstance(read_recording(path).capture, SquareWaveCapture)
