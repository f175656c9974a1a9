"""What a capture is: the part that every kind has in common, and checks of its columns."""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, fields
from typing import TYPE_CHECKING, ClassVar, Self, TypeAlias

import numpy as np
from numpy.typing import NDArray

from antecurve.errors import InputError
from antecurve.judge.observation import Observation
from antecurve.quantities import DB_PER_NEPER, format_quantity

if TYPE_CHECKING:
    from antecurve.curves.model import Curve
    from antecurve.judge.deviation import Deviation
    from antecurve.judge.network_estimate import NetworkEstimate
    from antecurve.judge.reference import MeasuredChain

__all__ = [
    "Capture",
    "Captures",
    "DirectResponse",
    "Levels",
    "ObservationSettings",
    "capture_sequence",
]

Floats = NDArray[np.float64]
Complex = NDArray[np.complex128]

_ALIKE_DB = 0.02  # a twenty-fifth of the usual limit: references that differ less serve alike


@dataclass(frozen=True, slots=True)
class ObservationSettings:
    """How captures are reduced for a fit.

    Attributes
    ----------
    highest_hz : float
        Highest frequency that counts [Hz].
    curve : Curve
        The emphasis curve.
    network : NetworkEstimate
        The network with source and load.
    references : tuple of MeasuredChain
        The capture chain by reference captures; none, or one that matches each capture.
    """

    highest_hz: float
    curve: Curve
    network: NetworkEstimate
    references: tuple[MeasuredChain, ...] = ()

    def reference_for(
        self,
        capture: Capture,
        frequency_hz: float | None = None,
        *,
        needed: bool = True,
        swept_hz: Floats | None = None,
    ) -> MeasuredChain | None:
        """Choose the reference that matches a capture.

        Parameters
        ----------
        capture : Capture
            The capture.
        frequency_hz : float, optional
            Fundamental of a square wave [Hz].
        needed : bool, optional
            Whether one that matches must be among those given.
        swept_hz : numpy.ndarray of float, shape (frequencies,), optional
            Frequencies of a sweep [Hz].

        Returns
        -------
        MeasuredChain or None
            Of the same kind, of the nearest fundamental or over all of a sweep; ``None`` where
            there is none.

        Raises
        ------
        InputError
            When references are given, but none that matches a capture that needs one, or several
            that differ.
        """
        alike = [r for r in self.references if r.kind == capture.kind]
        if not alike and not (self.references and needed):
            return None
        if not alike:
            raise InputError(
                f"reference for {capture.name}",
                self.references[0].kind,
                "a capture needs a reference of its own kind: a square wave, a sweep, or a record "
                "with a stimulus",
            )
        if swept_hz is not None and len(alike) > 1:
            return _over_sweep(alike, swept_hz, capture.name)
        if frequency_hz is None:
            return alike[0]
        nearest = min(alike, key=lambda r: r.mistuning(frequency_hz))
        nearest.check_frequency(frequency_hz, capture.name)
        return nearest


def _over_sweep(chains: Sequence[MeasuredChain], swept_hz: Floats, name: str) -> MeasuredChain:
    """The chain that reaches over a sweep; the first of several that are alike there."""
    low, high = float(swept_hz.min()), float(swept_hz.max())
    reaching = [c for c in chains if c.frequency_hz[0] <= low and high <= c.frequency_hz[-1]]
    first, *others = reaching or chains
    for other in others:
        apart = (other.at(swept_hz) - first.at(swept_hz)).real
        apart = DB_PER_NEPER * (apart - np.median(apart))
        at = int(np.argmax(np.abs(apart)))
        if abs(apart[at]) > _ALIKE_DB:
            where = format_quantity(float(swept_hz[at]), "Hz")
            raise InputError(
                f"reference for {name}",
                f"two sweeps, {apart[at]:+.2f} dB apart at {where}",
                "give the one taken with this capture's settings alone",
            )
    return first


@dataclass(frozen=True, slots=True, eq=False)
class DirectResponse:
    """A response taken with the unit bypassed.

    Attributes
    ----------
    frequency_hz : numpy.ndarray of float, shape (frequencies,)
        Frequencies [Hz].
    log_response : numpy.ndarray of complex, shape (frequencies,)
        Natural logarithm, level and delay arbitrary; without phase the imaginary part is 0.
    relative_variance : numpy.ndarray of float, shape (frequencies,)
        Variance of each component of the logarithm, by what frequencies do not share.
    shared_errors : numpy.ndarray of complex, shape (errors, frequencies)
        What errors that frequencies share do to the logarithm, each by one standard uncertainty
        and independent of the others.
    gain_told : bool
        Whether the level is the chain's gain, and not arbitrary.
    polarity : int
        -1 where the chain turns a signal upside down, else 1.
    """

    frequency_hz: Floats
    log_response: Complex
    relative_variance: Floats
    shared_errors: Complex
    gain_told: bool = False
    polarity: int = 1


@dataclass(frozen=True, slots=True, eq=False)
class Levels:
    """Levels of a network by itself.

    Attributes
    ----------
    frequency_hz, level_db : numpy.ndarray of float, shape (frequencies,)
        Frequencies [Hz] and levels [dB], one level for all of them arbitrary.
    deviation_db : numpy.ndarray of float, shape (frequencies,)
        Standard deviation by the capture's own noise [dB].
    off_db : float or None
        Level at 1 kHz re that of the network as it should be [dB], where the capture tells it.
    """

    frequency_hz: Floats
    level_db: Floats
    deviation_db: Floats
    off_db: float | None = None


class Capture(ABC):
    """What a unit is judged by; `name` is what messages call it."""

    __slots__ = ()

    kind: ClassVar[str]
    """Kind of capture in words, such as ``sweep``."""
    kind_in_files: ClassVar[str]
    """The same as the record of a verdict has it, such as ``square``."""
    usual_signal: ClassVar[str] = "any"
    """The test signal of such a capture where its file does not say: ``square`` or ``sines``."""
    known_columns: ClassVar[tuple[str, ...]]
    """Columns that a file of this kind may have."""
    columns_rule: ClassVar[str]
    """Which of them it must have, in words."""
    relies_on_flatness: ClassVar[bool] = False
    """Whether levels at different frequencies rely on a generator of flat response."""
    name: str

    @classmethod
    @abstractmethod
    def fits(cls, header: Collection[str]) -> bool:
        """Tell whether a file with these columns is of this kind.

        Parameters
        ----------
        header : collection of str
            Names of its columns, all of them in `known_columns`.

        Returns
        -------
        bool
            Whether none is missing and none contradicts another.
        """

    @classmethod
    @abstractmethod
    def from_columns(cls, columns: Mapping[str, Floats], name: str) -> Self:
        """Make a capture of the columns of a file.

        Parameters
        ----------
        columns : mapping of str to numpy.ndarray of float, shape (rows,)
            The columns by name.
        name : str
            Name of the file.

        Returns
        -------
        Capture
            Named after the file.

        Raises
        ------
        InputError
            When the numbers can't be a capture.
        """

    @abstractmethod
    def observation(self, settings: ObservationSettings) -> Observation:
        """Reduce the capture for a fit.

        Parameters
        ----------
        settings : ObservationSettings
            Reach of the reduction, and the reference.

        Returns
        -------
        Observation
            The same data as the fit sees them.

        Raises
        ------
        InputError
            When the capture can't be used.
        """

    @property
    @abstractmethod
    def highest_seen_hz(self) -> float:
        """Highest corner frequency that the capture shows by itself [Hz]."""

    @property
    def has_phase(self) -> bool:
        """Whether it shows more of a response than its level."""
        return True

    def holds_same(self, other: Self) -> bool:
        """Tell whether another capture of this kind holds the same data under whatever name.

        Parameters
        ----------
        other : Capture
            The other one.

        Returns
        -------
        bool
            Whether nothing but the name differs.
        """
        each = [f.name for f in fields(self) if f.name != "name"]  # type: ignore[arg-type]
        return all(np.array_equal(getattr(self, n), getattr(other, n)) for n in each)

    def reach_problem(self, band_hz: tuple[float, float]) -> InputError | None:
        """Say why the capture by itself does not reach over the band.

        Parameters
        ----------
        band_hz : tuple of float
            The band to judge [Hz].

        Returns
        -------
        InputError or None
            ``None`` where it does.
        """
        return None

    def saturation_text(self) -> str:
        """Say where the record stands at its limits.

        Returns
        -------
        str
            Empty where it does not.
        """
        return ""

    def turned_round(self) -> Capture | None:
        """Swap stimulus and output.

        Returns
        -------
        Capture or None
            ``None`` for a capture without a stimulus.
        """
        return None

    def question(self, network: NetworkEstimate, deviation: Deviation, limit_db: Floats) -> str:
        """Ask what the record leaves open, where its other reading would change a deviation.

        Parameters
        ----------
        network : NetworkEstimate
            The network.
        deviation : Deviation
            The deviation of the unit.
        limit_db : numpy.ndarray of float, shape (frequencies,)
            Largest deviation allowed at its frequencies [dB].

        Returns
        -------
        str
            A sentence with both readings; empty where there is none.
        """
        return ""

    @classmethod
    def direct_responses(
        cls, references: Sequence[Self], highest_hz: float, through: NetworkEstimate
    ) -> tuple[DirectResponse, ...]:
        """Derive the responses that captures of this kind show with the unit bypassed.

        Parameters
        ----------
        references : sequence of Capture
            Captures of one chain, of this kind.
        highest_hz : float
            Highest frequency that counts [Hz].
        through : NetworkEstimate
            The network, with the load that it had where it was in the path.

        Returns
        -------
        tuple of DirectResponse
            Response of the capture chain, and of the network where it was in the path.  All have
            the same shared errors.

        Raises
        ------
        InputError
            When this kind can't serve as a reference.
        """
        raise InputError(
            "reference", f"a {cls.kind}", "take a square wave, a sweep or a two-channel record"
        )

    def network_levels(self, network: NetworkEstimate, band_hz: tuple[float, float]) -> Levels:
        """Take the levels of a network by itself, from its open-circuit source to its load.

        Parameters
        ----------
        network : NetworkEstimate
            The network as it should be.
        band_hz : tuple of float
            The band that counts [Hz].

        Returns
        -------
        Levels
            Levels with what the capture itself says of their noise.

        Raises
        ------
        InputError
            When this kind holds no levels.
        """
        rule = "a network is calibrated by a sweep or a two-channel record of it"
        raise InputError(self.name, f"a {self.kind}", rule)


Captures: TypeAlias = Capture | Sequence[Capture]
"""One capture of a unit, or several."""


def capture_sequence(captures: Captures) -> tuple[Capture, ...]:
    """Gather captures in a tuple, one by itself too.

    Parameters
    ----------
    captures : Capture or sequence of Capture
        Captures of the same unit.

    Returns
    -------
    tuple of Capture
        At least one.

    Raises
    ------
    InputError
        When there is none.
    """
    several = tuple(captures) if isinstance(captures, Sequence) else (captures,)
    if not several:
        raise InputError("captures", (), "at least one capture is needed")
    return several
