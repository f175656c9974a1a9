"""What pages and plots say: the summary stays true in odd cases, figures are said in words."""

from __future__ import annotations

import re
from dataclasses import replace
from xml.etree import ElementTree

import numpy as np
import pytest

from antecurve.curves.model import Curve
from antecurve.judge.verdict import FittedValue
from antecurve.networks.compiled import transfer
from antecurve.pipeline import Analysis, Design, design_formulas, with_analysis
from antecurve.report.constant_texts import interval_text
from antecurve.report.descriptions import error_text, response_text, schematic_text
from antecurve.report.formula_rows import formula_rows
from antecurve.report.page import report_page
from antecurve.report.plots import plot_files
from antecurve.report.summary import governing_lines, missed_limit, summary_lines
from antecurve.report.tables import form_rows, shortlist_rows, wiring_rows


def _analysis(design: Design) -> Analysis:
    return design.analysis


def _with_errors(
    design: Design, *, nominal: float, likely: float, exact: float = 0.0, proved: bool = True
) -> Design:
    """The design as if its errors were these."""
    analysis = _analysis(design)
    assert analysis.error.exact is not None
    error = replace(
        analysis.error,
        job=replace(analysis.error.job, centred_db=nominal),
        exact=replace(analysis.error.exact, centred_db=exact),
    )
    spread = replace(analysis.spread, centred_db=replace(analysis.spread.centred_db, p95=likely))
    search = replace(design.search, proved=proved)
    analysis = replace(analysis, error=error, spread=spread)
    return with_analysis(replace(design, search=search), analysis)


@pytest.mark.parametrize(
    ("errors", "says"),
    [
        ({"nominal": 0.01, "likely": 0.19}, "Tolerance dominates, mainly C2"),
        ({"nominal": 0.1, "likely": 0.15}, "weigh alike: tolerance adds 0.05 dB"),
        ({"nominal": 0.1, "likely": 0.22}, "a better pick would gain less"),
        # With a perfect pick about 0.3 dB would be left, with perfect parts 0.69 dB.
        ({"nominal": 0.69, "likely": 0.76}, "The pick dominates"),
        ({"nominal": 0.69, "likely": 0.76, "proved": False}, "its search ended early. More values"),
        ({"nominal": 0.2, "likely": 0.21}, "The pick dominates"),
        ({"nominal": 0.2, "likely": 0.2, "proved": False}, "its search ended early"),
        ({"nominal": 0.2, "likely": 0.2, "exact": 0.15}, "The network's form dominates"),
    ],
)
def test_which_figure_governs(default_design: Design, errors: dict[str, float], says: str) -> None:
    first, *_ = governing_lines(_with_errors(default_design, **errors))  # type: ignore[arg-type]
    assert says in first
    assert first.startswith(f"Design error ±{errors['nominal']:.2g}")


def test_an_exact_value_beyond_the_parts_is_named(default_design: Design) -> None:
    """In place of advice that would not help."""
    wrong = _with_errors(default_design, nominal=0.69, likely=0.76, proved=False)

    def with_exact(exact: float) -> Design:
        """The design with an exact value of C2; no other is out of reach."""
        positions = tuple(
            replace(p, exact=exact if p.element.ref == "C2" else p.value)
            for p in wrong.picked.positions
        )
        changed = replace(wrong, picked=replace(wrong.picked, positions=positions))
        return with_analysis(changed, wrong.analysis)

    for exact, says in (
        (18.05e-6, "C2, 18.05 µF, is out of reach: capacitors.range ends at 470 nF (940 nF, with"),
        (100e-12, "C2, 100 pF, is out of reach: capacitors.range begins at 220 pF."),
    ):
        first = governing_lines(with_exact(exact))[0]
        assert f"The pick dominates. The exact value of {says}" in first
        assert "More values" not in first
    # Two joined reach 900 nF: then the range is not to blame.
    assert "More values" in governing_lines(with_exact(900e-9))[0]


def test_the_curve_imposed_is_said_with_its_limits(default_design: Design) -> None:
    # IEC 60098: 3180, 318 and 75 us; the corner frequencies are 1/(2 pi t).
    assert any(
        line == "Curve imposed (disc): zeros 3180 µs (50.05 Hz), 75 µs (2.122 kHz); "
        "poles 318 µs (500.5 Hz), 3.183 µs (50 kHz)."
        for line in summary_lines(default_design)
    )
    assert report_page(default_design).decode().count("Curve imposed (disc): zeros 3180") == 1
    steep = Curve("own", (75e-6,), (), zeros_at_origin=1)
    job = replace(default_design.job, curve=steep)
    lines = summary_lines(replace(default_design, job=job))
    assert any("zeros at the origin, 75 µs (2.122 kHz); poles none." in line for line in lines)


def test_small_errors_are_not_spelt_out(default_design: Design) -> None:
    text = " ".join(summary_lines(_with_errors(default_design, nominal=1e-5, likely=1e-4)))
    assert "Design error below 0.001 dB; 95 % of builds below 0.001 dB" in text
    assert not re.search(r"0\.0000\d", text)
    assert not re.search(r"(at most|within) below", text)


def test_sentences_and_tables_give_the_same_spread(default_design: Design) -> None:
    likely = 0.0905
    design = _with_errors(default_design, nominal=0.01, likely=likely)
    assert f"within ±{likely:.2f} dB" in governing_lines(design)[0]
    for rows in (shortlist_rows(design, brief=True).rows, form_rows(design).rows):
        assert f"{likely:.3f}" in rows[0]


def test_a_form_that_is_not_proved_tells_its_bound(default_design: Design) -> None:
    """A bound is rounded down, never to 0."""
    for bound_db, says in ((0.0, "no lower bound proved"), (0.01299, "none below 0.012"),
                           (0.000199, "none below 0.0001"),
                           (2.9e-24, "none below 2e-24")):  # fmt: skip
        first = replace(default_design.forms[0], proved=False, lower_bound_db=bound_db)
        rows = form_rows(replace(default_design, forms=(first,))).rows
        assert rows[0][-1] == f"the pick; {says}"


def test_the_pick_is_marked_and_a_better_looking_alternative_explained(
    default_design: Design,
) -> None:
    rows = shortlist_rows(default_design, brief=True).rows
    assert [row[-1] for row in rows].index("the pick") == 0
    first, second, *_ = default_design.shortlist
    assert "the pick" in shortlist_rows(default_design).rows[0][-1]
    better = replace(second, centred_db=first.centred_db / 2)
    design = replace(default_design, shortlist=(first, better))
    for sets, by, says in (
        (1, "build", "the job picks by the 95 % of builds"),
        (2, "nominal", "of the pair the worse network counts"),
        (1, "nominal", "met after the pick was settled"),
    ):
        job = replace(design.job, pick=replace(design.job.pick, pick_by=by))
        changed = replace(design, job=job, second=design.picked if sets == 2 else None)
        assert says in shortlist_rows(changed, brief=True).rows[1][-1]
        assert says in shortlist_rows(changed).rows[1][-1]


def test_nothing_is_off_by_minus_nothing(default_design: Design) -> None:
    for share in (1 + 1e-7, 1 - 1e-7):
        positions = tuple(
            replace(p, exact=p.value * share) for p in default_design.picked.positions
        )
        rows = wiring_rows(replace(default_design.picked, positions=positions)).rows
        assert {row[5] for row in rows} == {"0.00 %"}


def test_a_pair_tells_both_and_says_when_levels_differ(default_design: Design) -> None:
    other = default_design.picked.positions
    for factor, says in ((1.0, "agree in shape and level"), (0.9, "THE LEVELS OF THE PAIR DIFFER")):
        *others, last = other
        part = replace(last.parts[0], value=last.parts[0].value * factor)
        second = replace(
            default_design.picked, positions=(*others, replace(last, parts=(part, *last.parts[1:])))
        )
        match = 0.0 if factor == 1 else 0.02
        pair = replace(default_design, second=second, match_db=match)
        text = " ".join(summary_lines(pair))
        assert "The other network of the pair: design error" in text
        assert says in text
        if factor < 1:
            # A divider with its lower resistor 10 % smaller: about 20 log10(0.9) = -0.915 dB.
            softer = re.search(r"the second network is (\S+) dB softer", text)
            assert softer and float(softer[1]) == pytest.approx(0.915, abs=0.02)
            assert "dB higher, or add" in text


@pytest.mark.seldom
def test_own_exact_values_say_how_they_stand_to_the_table(default_design: Design) -> None:
    elements = tuple(p.element for p in default_design.picked.positions)
    network = replace(default_design.job.network, elements=elements)
    own = replace(default_design, job=replace(default_design.job, network=network))
    line = next(li for li in summary_lines(own) if "exactly" in li)
    assert "The table's column exact has another set" in line


def test_generator_matters_only_if_it_does(default_design: Design) -> None:
    """600 ohm gives 0.9 dB with the default network; what counts is what it adds."""
    for nominal, likely, says in (
        (0.01, 0.1, "more than tolerance"),
        (0.01, 1.2, "about what tolerance"),
        (0.01, 2.0, "less than tolerance"),
        (0.80, 0.85, "less than tolerance"),
    ):
        lines = governing_lines(_with_errors(default_design, nominal=nominal, likely=likely))
        assert re.search(f"Generators up to .* 600 Ω gives ±.* dB, {says} does", lines[1])


def test_few_builds_are_called_few(default_design: Design) -> None:
    analysis = _analysis(default_design)
    few = replace(analysis, spread=replace(analysis.spread, builds=10))
    assert "of only 10 drawn" in governing_lines(with_analysis(default_design, few))[0]
    assert "drawn" not in governing_lines(default_design)[0]


@pytest.mark.parametrize(("limit", "missed"), [(None, False), (0.5, False), (0.001, True)])
def test_missed_limit_is_said(default_design: Design, limit: float | None, missed: bool) -> None:
    target = replace(default_design.job.target, error_limit_db=limit)
    design = replace(default_design, job=replace(default_design.job, target=target))
    assert (missed_limit(design) is not None) is missed
    assert any("MISSES" in line for line in summary_lines(design)) is missed


def test_no_page_shows_what_is_missing_in_the_language_of_the_program(
    default_design: Design,
) -> None:
    page = report_page(default_design).decode()
    shown = re.sub(r"<(script|style)\b.*?</\1>", "", page, flags=re.DOTALL)
    text = re.sub(r"<[^>]*>", " ", shown)
    assert not re.search(r"\b(None|nan|NaN|inf|undefined|null)\b", text)
    names = re.findall(r' id="([^"]*)"', shown)
    assert sorted(names) == sorted(set(names))


def test_figures_in_words(default_design: Design) -> None:
    analysis = _analysis(default_design)
    words = error_text(analysis, limit_db=0.5)
    response = analysis.response
    inside = (response.frequency_hz >= 19.99) & (response.frequency_hz <= 20.01e3)
    assert f"{response.error_db[inside].min():+.3f}" in words
    assert "limit is ±0.5 dB" in words
    assert "limit" not in error_text(analysis, limit_db=None)
    # IEC 60098: the published curve is 19.274 dB down at 20 Hz re 1 kHz (from memory, and
    # in the table that `antecurve curves disc` prints).
    assert "-19.3 dB at 20 Hz" in response_text(response)
    said = schematic_text(default_design.picked, default_design.job.loading)
    for position in default_design.picked.positions:
        assert f"{position.element.ref} " in said


@pytest.fixture(scope="module")
def plots(default_design: Design) -> dict[str, bytes]:
    return plot_files(default_design)


@pytest.mark.seldom
def test_plots_are_the_same_every_time(default_design: Design, plots: dict[str, bytes]) -> None:
    assert plot_files(default_design) == plots


def test_plots_are_described(plots: dict[str, bytes]) -> None:
    files = plots
    assert sorted(files) == [
        "error.png", "error.svg", "faults.png", "faults.svg", "response.png", "response.svg",
        "schematic.png", "schematic.svg", "scope.png", "scope.svg",
    ]  # fmt: skip
    space = "{http://www.w3.org/2000/svg}"
    for name, content in files.items():
        if name.endswith(".svg"):
            root = ElementTree.fromstring(content)
            assert root[0].tag == f"{space}title" and root[0].text
            assert root[1].tag == f"{space}desc" and re.search(r"\d", root[1].text or "")
            text = content.decode()
            assert "date" not in text
            used = set(re.findall(r'(?:url\(#|href="#)([^")]+)', text))
            assert used == set(re.findall(r' id="([^"]+)"', text))
        if name in ("error.svg", "response.svg"):
            for tick in ("20", "100", "1k", "10k", "20k"):
                assert f">{tick}<" in text


def _factor(element: ElementTree.Element, values: dict[str, float]) -> float:
    """A product in MathML, in numbers."""
    kind = element.tag.rpartition("}")[2]
    if kind == "mo":
        return 1.0
    if kind == "mn":
        return float(element.text or "")
    if kind == "msup":
        return _factor(element[0], values) ** float(element[1].text or "")
    if kind in ("mi", "msub"):
        return values["".join(element.itertext())]
    return float(np.prod([_factor(e, values) for e in element]))


def test_coefficients_on_the_page_give_the_response(default_design: Design) -> None:
    """Read back from the page's MathML, against the network's compiled response."""
    loading = default_design.job.loading
    network = default_design.network
    values = dict(zip(network.topology.refs, network.values.tolist(), strict=True))
    values |= {
        "Rs": loading.source_resistance,
        "RL": loading.load_resistance,
        "CL": loading.load_capacitance,
    }
    formulas = design_formulas(default_design)
    assert formulas is not None
    coefficients: dict[str, float] = {}
    for row in formula_rows(formulas)["Response and impedances"][1:]:
        terms = ElementTree.fromstring(f"<row>{row}</row>")
        name = "".join(terms[0][0][0].itertext())
        if not re.fullmatch(r"[ad]\d", name):
            continue
        first = list(terms[0][0])[2:]
        total = float(np.prod([_factor(e, values) for e in first]))
        coefficients[name] = total + sum(_factor(t, values) for t in terms[1:])
    frequency = np.geomspace(20.0, 20e3, 7)
    s = 2j * np.pi * frequency
    top, bottom = (
        sum(c * s ** int(n[1:]) for n, c in coefficients.items() if n[0] == letter)
        for letter in "ad"
    )
    made = transfer(network, frequency, loading=loading)
    # Sums of some tens of positive terms: rounding only.
    np.testing.assert_allclose(top / bottom, made, rtol=1e-12)


def test_long_time_constants_are_in_seconds() -> None:
    """A shelf that is not there, known to lie beyond three minutes: no row of noughts."""
    shelf = FittedValue("bass_shelf_s", None, np.inf, 183.0, np.inf, "s")
    assert interval_text(shelf) == "183 s or more"
    assert interval_text(replace(shelf, value=0.9, low=0.8, high=0.9)) == "800000 µs to 900000 µs"
