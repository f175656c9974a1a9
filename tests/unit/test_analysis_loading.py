"""Loading table, window and advice: against closed forms, single evaluations and definitions."""

from __future__ import annotations

import math
import re
from dataclasses import replace

import numpy as np
import pytest

from antecurve.analysis.impedance_advice import generator_advice, impedance_window
from antecurve.analysis.loading import cable_capacitance, loading_table
from antecurve.analysis.loading_window import loading_window
from antecurve.curves.catalogue import named_curve
from antecurve.curves.construct import with_limits
from antecurve.errors import InputError, UnattainableError
from antecurve.networks.centred_error import CentredError, error_range
from antecurve.networks.compiled import transfer_coefficients
from antecurve.networks.conditions import Conditions
from antecurve.networks.topology import Loading, Network
from antecurve.synthesis.exact import exact_network

CURVE = with_limits(named_curve("disc"), ultrasonic_poles_hz=(50e3,))
LOADING = Loading(50.0, 47e3, 150e-12)
BAND = (20.0, 20e3)


@pytest.fixture(scope="module")
def network() -> Network:
    exact = exact_network("foster-1", CURVE, loading=LOADING, gain=0.01, shunt_resistance=500.0)
    values = np.array([float(f"{v:.2e}") for v in exact.network.values])
    return Network(exact.network.topology, values)


def test_every_row_is_a_single_evaluation(network: Network) -> None:
    table = loading_table(network, Conditions(curve=CURVE, loading=LOADING, band_hz=BAND))
    assert len(table.source_ohm) == 5 * 5 * 7
    assert (table.source_ohm[0], table.load_ohm[0], table.load_f[0]) == (50.0, 47e3, 150e-12)
    assert table.level_shift_db[0] == 0.0
    for k in range(0, len(table.source_ohm), 7):
        there = Loading(table.source_ohm[k], table.load_ohm[k], table.load_f[k])
        single = error_range(
            network, Conditions(curve=CURVE, loading=there, band_hz=BAND)
        ).centred_db
        # 240 points a decade and parabolas on both sides, sums in another order
        assert table.error_centred_db[k] == pytest.approx(single, abs=1e-9)


def test_rows_are_those_of_the_file_format(network: Network) -> None:
    table = loading_table(network, Conditions(curve=CURVE, loading=LOADING, band_hz=BAND)).to_dict()
    assert set(table) == {"rows", "window"}
    assert set(table["rows"][0]) == {
        "source_ohm",
        "load_ohm",
        "load_f",
        "level_shift_db",
        "error_centred_db",
    }
    assert all(type(v) is float for v in table["rows"][3].values())


def test_cable_adds_to_the_input(network: Network) -> None:
    cable = cable_capacitance(capacitance_per_metre=100e-12, length_m=2.0)
    assert cable == pytest.approx(200e-12)
    table = loading_table(
        network,
        Conditions(curve=CURVE, loading=LOADING, band_hz=BAND),
        load_f=(50e-12,),
        cable_f=cable,
    )
    assert sorted(set(table.load_f)) == pytest.approx([150e-12, 250e-12])


def test_capacitance_across_the_output_is_that_of_the_load(network: Network) -> None:
    # A capacitor of 1 nF across R4 = 500 ohm: -10 lg(1 + (2 pi f R C)^2) with R the impedance
    # seen there, at 20 kHz some hundredths of a dB; the table must see it grow with f.
    table = loading_table(
        network,
        Conditions(curve=CURVE, loading=LOADING, band_hz=BAND),
        source_ohm=(),
        load_ohm=(),
        load_f=(0.0, 1e-9, 2e-9),
    )
    centred = dict(zip(table.load_f.tolist(), table.error_centred_db.tolist(), strict=True))
    assert centred[0.0] < centred[1e-9] < centred[2e-9]


@pytest.mark.parametrize("growth", [0.01, 0.1, 0.5])
def test_window_ends_where_the_error_has_grown(network: Network, growth: float) -> None:
    window = loading_window(
        network, Conditions(curve=CURVE, loading=LOADING, band_hz=BAND), growth_db=growth
    )
    nominal = error_range(
        network, Conditions(curve=CURVE, loading=LOADING, band_hz=BAND)
    ).centred_db
    assert window.limit_db == pytest.approx(nominal + growth)
    fields = {
        "source_ohm": "source_resistance",
        "load_ohm": "load_resistance",
        "load_f": "load_capacitance",
    }
    ends = 0
    for name, field in fields.items():
        span = getattr(window, name)
        for end, outward in ((span.low, 0.999), (span.high, 1.001)):
            if not end:
                continue
            ends += 1

            def error(value: float, field: str = field) -> float:
                there = replace(LOADING, **{field: value})
                return error_range(
                    network, Conditions(curve=CURVE, loading=there, band_hz=BAND)
                ).centred_db

            assert error(end) == pytest.approx(window.limit_db, abs=1e-9)
            assert error(end * outward) > window.limit_db
            inside = np.linspace(getattr(LOADING, field), end, 50)[:-1]
            assert all(error(float(v)) < window.limit_db for v in inside)
    assert ends >= 2  # a source of any resistance and an open load may be without end


def test_window_without_an_end(network: Network) -> None:
    window = loading_window(
        network, Conditions(curve=CURVE, loading=LOADING, band_hz=BAND), growth_db=3.0
    )
    assert window.load_ohm.high is None
    assert window.load_f.low == 0.0
    assert window.source_ohm.low == 0.0


def test_centred_error_of_a_flat_ratio_is_zero() -> None:
    exact = exact_network(
        "foster-1", CURVE, loading=Loading(50.0, 47e3, 0.0), gain=0.01, shunt_resistance=500.0
    ).network
    transfer_function = transfer_coefficients(
        exact.topology,
        exact.values,
        source_resistance=[50.0],
        load_resistance=47e3,
        load_capacitance=0.0,
    )
    assert CentredError(CURVE, band_hz=BAND)(transfer_function)[0] == pytest.approx(0.0, abs=1e-12)


@pytest.mark.parametrize("band", [(20.0, 20e3), (1000.0, 1010.0), (30.0, 31.0)])
def test_centred_error_over_any_band(network: Network, band: tuple[float, float]) -> None:
    transfer_function = transfer_coefficients(
        network.topology,
        network.values,
        source_resistance=[600.0],
        load_resistance=1e3,
        load_capacitance=0.0,
    )
    single = error_range(
        network, Conditions(curve=CURVE, loading=Loading(600.0, 1e3, 0.0), band_hz=band)
    )
    many = CentredError(CURVE, band_hz=band)(transfer_function)[0]
    assert many == pytest.approx(single.centred_db, abs=1e-10)


def test_impedance_window_is_where_the_form_can_be_had() -> None:
    loading = Loading(600.0, 47e3, 0.0)
    window = impedance_window("foster-1", CURVE, loading=loading, gain=0.01, shunt_resistance=100.0)
    assert not window.works
    assert window.low_ohm is not None
    # R_inf = (Rp/g0) c0 - Rp - Rs >= 0 for Rp = R0||RL gives the smallest R0.
    zeros, poles = (3180e-6, 75e-6), (318e-6, 1 / (2 * math.pi * 50e3))
    c0 = math.prod(poles) / math.prod(zeros)

    def magnitude(times: tuple[float, float]) -> float:
        return math.prod(math.hypot(1.0, 2e3 * math.pi * t) for t in times)

    g0 = 0.01 * magnitude(poles) / magnitude(zeros)
    rp = 600.0 / (c0 / g0 - 1.0)
    assert window.low_ohm == pytest.approx(1.0 / (1.0 / rp - 1.0 / 47e3), rel=1e-9)
    make = {"curve": CURVE, "loading": loading, "gain": 0.01}
    exact_network("foster-1", shunt_resistance=window.low_ohm * 1.001, **make)  # type: ignore[arg-type]
    with pytest.raises(UnattainableError):
        exact_network("foster-1", shunt_resistance=window.low_ohm * 0.999, **make)  # type: ignore[arg-type]


def test_advice_for_another_generator_holds(network: Network) -> None:
    small, large = generator_advice(
        network, Conditions(curve=CURVE, loading=LOADING, band_hz=BAND), source_ohm=(75.0, 600.0)
    )
    assert small.holds
    assert small.impedance_level_ohm is None
    assert not large.holds
    assert large.impedance_level_ohm is not None
    assert "600 Ω" in large.sentence

    def error(level: float) -> float:
        exact = exact_network(
            "foster-1", CURVE, loading=LOADING, gain=0.01, shunt_resistance=level
        ).network
        there = Loading(600.0, 47e3, 150e-12)
        return error_range(exact, Conditions(curve=CURVE, loading=there, band_hz=BAND)).centred_db

    # The advice is for the level of this rounded network, a few parts in a thousand off 0.01.
    assert error(large.impedance_level_ohm) == pytest.approx(0.1, abs=1e-3)
    assert error(2 * large.impedance_level_ohm) < 0.1


def test_advice_names_the_output_resistance_it_takes(network: Network) -> None:
    def sentence(limit: float | None) -> str:
        (advice,) = generator_advice(
            network,
            Conditions(curve=CURVE, loading=LOADING, band_hz=BAND),
            source_ohm=(600.0,),
            output_resistance_max=limit,
        )
        return advice.sentence

    limited = sentence(100.0)
    (needed,) = re.findall(
        r"needs network.output_resistance_max of at least ([\d.]+) Ω \(now 100 Ω\)", limited
    )
    assert "output_resistance_max" not in sentence(None)
    # The number named is enough, to the digits printed, and what is below it is not.
    assert "output_resistance_max" not in sentence(float(needed) * 1.001)
    assert "output_resistance_max" in sentence(float(needed) * 0.999)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"source_ohm": (-1.0,)}, "source resistance: received -1.0"),
        ({"load_ohm": (0.0,)}, "load resistance: received 0.0"),
        ({"load_f": (math.inf,)}, "load capacitance: received inf"),
        ({"cable_f": -1e-12}, "cable capacitance: received -1e-12"),
        ({"growth_db": 0.0}, "growth: received 0.0"),
    ],
)
def test_bad_input_is_named(network: Network, change: dict[str, object], message: str) -> None:
    with pytest.raises(InputError, match=message.replace("(", r"\(")):
        conditions = Conditions(curve=CURVE, loading=LOADING, band_hz=BAND)
        loading_table(network, conditions, **change)  # type: ignore[arg-type]
