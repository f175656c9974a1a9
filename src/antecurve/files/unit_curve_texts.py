"""The curve that a unit is set to, as typed."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from antecurve.errors import InputError
from antecurve.files.job_file import curve_of
from antecurve.files.unit_judging import with_unit_curve
from antecurve.quantities import format_time_constant, parse_quantity

if TYPE_CHECKING:
    from antecurve.curves.model import Curve
    from antecurve.pipeline import Design

__all__ = ["GUESS", "UnitCurveTexts"]

_OPTIONS = {
    "name": "name", "zeros_s": "zeros", "poles_s": "poles", "turnover": "turnover",
    "cut_at_10k": "cut", "shelf": "shelf",
}  # fmt: skip
"""Options by the fields of a job's curve."""
_ONE_WAY = (
    "give exactly one of --unit-curve, --unit-zeros with --unit-poles, and --unit-turnover with "
    "--unit-cut"
)

GUESS = "guess"
"""Name that asks which of the published curves it is."""


@dataclass(frozen=True, slots=True)
class UnitCurveTexts:
    """The curve of a unit as the options state it; one of name, time constants and turnover.

    Attributes
    ----------
    name, zeros, poles, turnover, cut, shelf : str or None
        Texts of the options.
    """

    name: str | None = None
    zeros: str | None = None
    poles: str | None = None
    turnover: str | None = None
    cut: str | None = None
    shelf: str | None = None

    def curve(self) -> Curve | None:
        """Parse the curve.

        Returns
        -------
        Curve or None
            The curve; ``None`` where no option states one.

        Raises
        ------
        InputError
            When a text can't be used, or two ways are mixed.
        """
        units = {"zeros": "s", "poles": "s", "turnover": "Hz", "cut": "dB", "shelf": "Hz"}
        words: list[str] = []
        keys: dict[str, Any] = {} if self.name is None else {"name": self.name}
        for option, unit in units.items():
            text = getattr(self, option)
            if text is None:
                continue
            field = f"--unit-{option}"
            values = tuple(
                parse_quantity(cell.strip(), unit=unit, field=field)
                for cell in (text.split(",") if unit == "s" else [text])
            )
            key = "cut_at_10k" if option == "cut" else option
            keys[key] = values if unit == "s" else values[0]
            said = [format_time_constant(v) if unit == "s" else f"{v:g} {unit}" for v in values]
            words.append(f"{option} {', '.join(said)}")
        if not keys:
            return None
        stated = {option: getattr(self, option) for option in ("name", *units)}
        try:
            curve = curve_of(keys)
        except InputError as error:
            wrong = _OPTIONS.get(error.field.removeprefix("curve."))
            if wrong is not None:
                name = "curve" if wrong == "name" else wrong
                raise InputError(f"--unit-{name}", getattr(self, wrong), error.rule) from None
            text = ", ".join(text for text in stated.values() if text)
            raise InputError("--unit-curve", text, _ONE_WAY) from None
        if self.name is not None:
            return curve
        return replace(curve, name=", ".join(words))

    @property
    def is_guess(self) -> bool:
        """Whether it is to be guessed."""
        return self == UnitCurveTexts(GUESS)

    def set_unit(self, design: Design) -> Design:
        """Set the unit of a design's job to the curve.

        Parameters
        ----------
        design : Design
            The design.

        Returns
        -------
        Design
            The same network, its unit set to the curve; the design itself where none is stated, or
            it is to be guessed.

        Raises
        ------
        InputError
            As in `curve`.
        """
        curve = None if self.is_guess else self.curve()
        return design if curve is None else with_unit_curve(design, curve)
