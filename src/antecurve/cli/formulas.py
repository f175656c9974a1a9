"""``antecurve formulas``: a form's response, impedances and element values in symbols."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Optional

import typer

from antecurve.cli.options import AsJson, PositionName
from antecurve.cli.terminal import say

if TYPE_CHECKING:
    from antecurve.synthesis.formula_model import FormFormulas

__all__ = ["formulas"]

Form = Annotated[
    Optional[str],  # noqa: UP045
    typer.Argument(metavar="FORM", help="Name of the form; without it all forms are listed."),
]
CurveName = Annotated[
    Optional[str],  # noqa: UP045
    typer.Option("--curve", metavar="NAME", help="Curve of the catalogue to derive them for."),
]
Pole = Annotated[
    Optional[list[str]],  # noqa: UP045
    typer.Option(
        "--pole", metavar="HERTZ", help="With --curve: an ultrasonic pole; may be repeated."
    ),
]
Bound = Annotated[
    Optional[str],  # noqa: UP045
    typer.Option("--bound", metavar="HERTZ", help="With --curve: where a rise towards DC ends."),
]
FromDesign = Annotated[
    Optional[Path],  # noqa: UP045
    typer.Option(
        "--design",
        metavar="DESIGN.json",
        help="Take form and curve of a design, and print its numbers beside the symbols.",
    ),
]
Latex = Annotated[bool, typer.Option("--latex", help="Print LaTeX.")]
Python = Annotated[bool, typer.Option("--python", help="Print Python functions.")]


def formulas(
    form: Form = None,
    curve: CurveName = None,
    pole: Pole = None,
    bound: Bound = None,
    design: FromDesign = None,
    position: PositionName = None,
    latex: Latex = False,
    python: Python = False,
    as_json: AsJson = False,
) -> None:
    """Show the formulas of a form, or of a design with its numbers.

    \b
    Examples: antecurve formulas; antecurve formulas cauer-1;
    antecurve formulas foster-2 --curve disc --pole 50k --latex;
    antecurve formulas cauer-2 --python;
    antecurve formulas --design design.json
    """
    from antecurve.curves.catalogue import named_curve
    from antecurve.curves.construct import with_limits
    from antecurve.errors import InputError
    from antecurve.quantities import parse_positive
    from antecurve.synthesis.formulas import form_formulas

    asked = [
        name
        for name, given in {"--latex": latex, "--python": python, "--json": as_json}.items()
        if given
    ]
    if len(asked) > 1:
        raise InputError(asked[0], asked[1], "ask for one of the two")
    layout = asked[0] if asked else ""
    if design is not None:
        if form is not None or curve is not None:
            raise InputError("--design", str(design), "it has its own form and curve: name neither")
        _show_worked(design, position, layout)
        return
    if position is not None:
        raise InputError("--position", position, "it is one of a design: give --design, too")
    if form is None:
        _show_forms(as_json)
        return
    if curve is None and (pole or bound):
        raise InputError(
            "--pole" if pole else "--bound",
            pole[0] if pole else bound,
            "a limit is put on a curve: name that too, as in --curve disc --pole 50k",
        )
    chosen = None
    if curve is not None:
        hertz = [parse_positive(p, "Hz", "--pole") for p in pole or ()]
        end = None if bound is None else parse_positive(bound, "Hz", "--bound")
        chosen = with_limits(named_curve(curve), ultrasonic_poles_hz=hertz, low_end_bound_hz=end)
    _show(form_formulas(form, chosen), layout)


def _show_worked(path: Path, position: str | None, layout: str) -> None:
    """Print the formulas of a design with the numbers of its exact values."""
    from antecurve.errors import InputError
    from antecurve.files.design_file import read_design
    from antecurve.pipeline import design_formulas
    from antecurve.synthesis.formula_text import numeric_formulas
    from antecurve.synthesis.worked_numbers import worked_numbers

    stored = read_design(path, position=position)
    derived, exact = design_formulas(stored), stored.exact_network
    if derived is None:
        raise InputError(
            "--design",
            str(path),
            "a network of one's own and a flat divider have no element formulas",
        )
    numeric, loading = numeric_formulas(derived), stored.job.loading
    numbers = {} if exact is None else worked_numbers(numeric, exact, loading)
    _show(derived, layout, numbers)
    if not layout and not numbers:
        say("\nNo numbers: these formulas don't give the exact values of this design.")


def _show(derived: FormFormulas, layout: str, numbers: dict[str, float] | None = None) -> None:
    """Print formulas, with numbers where there are any."""
    from antecurve.cli.show import show_json
    from antecurve.report.formula_lines import formula_lines
    from antecurve.synthesis.formula_code import formulas_python
    from antecurve.synthesis.formula_text import formulas_latex, numeric_formulas
    from antecurve.synthesis.worked_numbers import roots_used

    if layout == "--json" and numbers is None:
        show_json(derived)
    elif layout == "--json":
        roots = roots_used(numeric_formulas(derived), numbers or {})
        show_json(derived.to_dict() | {"numbers": numbers, "roots": roots})
    elif layout == "--latex":
        print(formulas_latex(derived, numbers), end="")
    elif layout == "--python":
        print(formulas_python(derived, numbers), end="")
    else:
        for line in formula_lines(derived, numbers):
            say(line)


def _show_forms(as_json: bool) -> None:
    from antecurve.cli.show import show_json, show_table
    from antecurve.report.formula_lines import described_forms
    from antecurve.synthesis.exact import form_description, form_names

    if as_json:
        show_json({name: form_description(name) for name in form_names()})
        return
    show_table(described_forms())
