"""Modified nodal analysis of a unit: response, exact sensitivities, and what a change does.

A x = b, with a row for the currents of each node and for the law of each source.  Every value p of
the circuit enters A as one product, A = A0 + sum c_p l_p r_p', with c_p = k s^m p^(+-1).  With
G = R' A^-1 L over all these products, w = e' A^-1 L for the output and x = R' A^-1 b for the drive:

* d ln H / d ln p = -(+-1) c_p w_p x_p / H, the adjoint's sensitivity (S. W. Director and
  R. A. Rohrer, IEEE Trans. Circuit Theory 16 (1969) 318);
* coefficients S off by D give H - w_S K x_S, K = (1 + D G_SS)^-1 D, the identity of Sherman,
  Morrison and Woodbury, and w and x after the change likewise.  So thousands of faulty circuits
  cost no more solving than the nominal one.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from antecurve.diagnose.ports import Port, Quantity, complex_frequency
from antecurve.diagnose.unit_circuit import Amplifier, OperationalAmplifier, UnitCircuit
from antecurve.networks.topology import ElementKind

__all__ = [
    "Drive",
    "NodalModel",
    "PortResponse",
    "ideal_drive",
    "nodal_model",
]

Floats = NDArray[np.float64]
Complex = NDArray[np.complex128]

_IDEAL_OHM = 1e-6  # beside any input resistance, nothing; far above rounding of the matrix


@dataclass(frozen=True, slots=True, eq=False)
class Drive:
    """What drives the unit's input: an EMF behind an admittance.

    Attributes
    ----------
    frequency_hz : numpy.ndarray of float, shape (frequencies,)
        Frequencies [Hz].
    current : numpy.ndarray of complex, shape (frequencies,)
        Short-circuit current [A].
    admittance : numpy.ndarray of complex, shape (frequencies,)
        Its admittance [S].
    """

    frequency_hz: Floats
    current: Complex
    admittance: Complex


def ideal_drive(frequency_hz: Floats) -> Drive:
    """Make the drive of 1 V that no input loads.

    Parameters
    ----------
    frequency_hz : numpy.ndarray of float, shape (frequencies,)
        Frequencies [Hz].

    Returns
    -------
    Drive
        An EMF of 1 V.
    """
    current = np.full(frequency_hz.shape, 1.0 / _IDEAL_OHM, dtype=complex)
    return Drive(frequency_hz, current, current)


@dataclass(frozen=True, slots=True, eq=False)
class PortResponse:
    """A circuit solved at frequencies, ready for changes.

    Attributes
    ----------
    model : NodalModel
        The circuit.
    values : numpy.ndarray of float, shape (ports,)
        Its values, in their units.
    frequency_hz : numpy.ndarray of float, shape (frequencies,)
        Frequencies [Hz].
    response : numpy.ndarray of complex, shape (frequencies,)
        H above.
    to_output : numpy.ndarray of complex, shape (ports, frequencies)
        w above.
    from_drive : numpy.ndarray of complex, shape (ports, frequencies)
        x above.
    between : numpy.ndarray of complex, shape (ports, ports, frequencies)
        G above.
    coefficients : numpy.ndarray of complex, shape (ports, frequencies)
        c above.
    """

    model: NodalModel
    values: Floats
    frequency_hz: Floats
    response: Complex
    to_output: Complex
    from_drive: Complex
    between: Complex
    coefficients: Complex

    @property
    def slopes(self) -> Complex:
        """Compute d ln H / d ln p at the nominal values, shape (ports, frequencies)."""
        power = self.model.laws[1][:, None]
        product = self.coefficients * self.to_output * self.from_drive
        return np.asarray(-power * product / self.response)

    def changed(self, ports: NDArray[np.intp], values: Floats) -> tuple[Complex, Complex]:
        """Compute response and sensitivities with a few values changed.

        Parameters
        ----------
        ports : numpy.ndarray of int, shape (candidates, changes)
            Which values change, none twice in one candidate.
        values : numpy.ndarray of float, shape (candidates, changes)
            To what, in their units.

        Returns
        -------
        tuple of numpy.ndarray of complex
            H, shape (candidates, frequencies), and d ln H / d ln p at the changed values, shape
            (candidates, ports, frequencies).
        """
        s = complex_frequency(self.frequency_hz)
        factor, power, order = self.model.laws
        now = factor[ports] * values ** power[ports]
        coefficient = now[..., None] * np.where(order[ports][..., None] == 1, s, 1.0)
        off = coefficient - self.coefficients[ports]
        # Frequencies before the small matrices, as numpy's solver wants them.
        inner = np.moveaxis(self.between[ports[:, :, None], ports[:, None, :]], -1, 1)
        spread = np.moveaxis(off, -1, 1)[..., None] * np.eye(ports.shape[1])
        core = np.linalg.solve(np.eye(ports.shape[1]) + spread @ inner, spread)
        left = np.einsum("nsf,nfst->ntf", self.to_output[ports], core)
        right = np.einsum("nfst,ntf->nsf", core, self.from_drive[ports])
        response = self.response - np.einsum("ntf,ntf->nf", left, self.from_drive[ports])
        to_output = self.to_output - sum(
            left[:, k, None, :] * self.between[ports[:, k]] for k in range(ports.shape[1])
        )
        from_drive = self.from_drive - sum(
            right[:, k, None, :] * np.moveaxis(self.between[:, ports[:, k]], 1, 0)
            for k in range(ports.shape[1])
        )
        coefficients = np.broadcast_to(self.coefficients, to_output.shape).copy()
        coefficients[np.arange(len(ports))[:, None], ports] = coefficient
        slopes = -power[:, None] * coefficients * to_output * from_drive
        with np.errstate(divide="ignore", invalid="ignore"):
            slopes = slopes / response[:, None, :]
        return response, slopes


@dataclass(frozen=True, slots=True, eq=False)
class NodalModel:
    """The equations of a circuit.

    Attributes
    ----------
    circuit : UnitCircuit
        The circuit.
    ports : tuple of Port
        Its values, those of the parts first.
    fixed : numpy.ndarray of float, shape (unknowns, unknowns)
        A0 above.
    nodes : tuple of str
        The nodes, whose voltages are the first unknowns.
    """

    circuit: UnitCircuit
    ports: tuple[Port, ...]
    fixed: Floats
    nodes: tuple[str, ...]

    @property
    def quantities(self) -> tuple[Quantity, ...]:
        """The values of the circuit."""
        return tuple(p.quantity for p in self.ports)

    @property
    def nominal(self) -> Floats:
        """Nominal values, shape (ports,)."""
        return np.array([q.nominal for q in self.quantities])

    @property
    def laws(self) -> tuple[Floats, Floats, NDArray[np.intp]]:
        """Factor, power and order of each value's coefficient, each of shape (ports,)."""
        rows = [(p.factor, float(p.power), p.order) for p in self.ports]
        factor, power, order = zip(*rows, strict=True)
        return np.array(factor), np.array(power), np.array(order)

    def index(self, ref: str, name: str = "") -> int:
        """Look up a value.

        Parameters
        ----------
        ref : str
            The part.
        name : str, optional
            Name of the quantity, where the part has several.

        Returns
        -------
        int
            Which port.

        Raises
        ------
        ValueError
            When the circuit has no such value.
        """
        of_part = [k for k, q in enumerate(self.quantities) if q.ref == ref]
        named = [k for k in of_part if name in ("", self.quantities[k].name)]
        if not named:
            raise ValueError(f"the circuit has no {name or 'value'} of {ref}")
        return named[0]

    def matrix(self, values: Floats, drive: Drive) -> Complex:
        """Set up A.

        Parameters
        ----------
        values : numpy.ndarray of float, shape (..., ports)
            Values in their units.
        drive : Drive
            What drives the input.

        Returns
        -------
        numpy.ndarray of complex, shape (..., frequencies, unknowns, unknowns)
            A above.
        """
        s = complex_frequency(drive.frequency_hz)
        matrix = np.zeros((*values.shape[:-1], s.size, *self.fixed.shape), dtype=complex)
        matrix[...] = self.fixed
        for index, port in enumerate(self.ports):
            coefficient = port.coefficient(values[..., index], s)
            for row in np.flatnonzero(port.equations):
                for column in np.flatnonzero(port.unknowns):
                    product = port.equations[row] * port.unknowns[column]
                    matrix[..., row, column] += coefficient * product
        matrix[..., 0, 0] += drive.admittance
        return matrix

    def response(self, values: ArrayLike, drive: Drive, node: str = "out") -> Complex:
        """Compute the response for any number of candidates.

        Parameters
        ----------
        values : array_like, shape (..., ports)
            Values in their units.
        drive : Drive
            What drives the input.
        node : str, optional
            Where the voltage is taken.

        Returns
        -------
        numpy.ndarray of complex, shape (..., frequencies)
            Voltage over the drive's EMF.
        """
        matrix = self.matrix(np.asarray(values, dtype=float), drive)
        right = np.zeros(matrix.shape[:-1], dtype=complex)
        right[..., 0] = drive.current
        solved = np.linalg.solve(matrix, right[..., None])
        return np.asarray(solved[..., self.nodes.index(node), 0])

    def solved(self, drive: Drive, values: Floats | None = None, node: str = "out") -> PortResponse:
        """Solve the circuit so that changes cost little.

        Parameters
        ----------
        drive : Drive
            What drives the input.
        values : numpy.ndarray of float, shape (ports,), optional
            Values in their units; nominal by default.
        node : str, optional
            Where the voltage is taken.

        Returns
        -------
        PortResponse
            Response and what changes need.
        """
        values = self.nominal if values is None else values
        s = complex_frequency(drive.frequency_hz)
        inverse = np.linalg.inv(self.matrix(values, drive))
        equations = np.stack([p.equations for p in self.ports], axis=1).astype(complex)
        unknowns = np.stack([p.unknowns for p in self.ports], axis=1).astype(complex)
        at = self.nodes.index(node)
        return PortResponse(
            self,
            values,
            drive.frequency_hz,
            inverse[:, at, 0] * drive.current,
            np.ascontiguousarray((inverse[:, at] @ equations).T),
            np.ascontiguousarray((inverse[:, :, 0] @ unknowns).T) * drive.current,
            np.moveaxis(unknowns.T @ inverse @ equations, 0, 2),
            np.stack([p.coefficient(v, s) for p, v in zip(self.ports, values, strict=True)]),
        )

    def growing_modes(self) -> int:
        """Count natural frequencies that grow, the input held by an EMF.

        By the argument of the determinant, a polynomial of degree n in s: from 0 to infinity it
        turns by a quarter turn for each zero on the left and back for each on the right.  Ideal
        operational amplifiers count as usual ones, since an ideal one is blind to which of its
        inputs is which.

        Returns
        -------
        int
            0 for a stable circuit.
        """
        values = self.nominal
        for index, quantity in enumerate(self.quantities):
            if quantity.name == "gain-bandwidth product" and math.isinf(quantity.nominal):
                values[index] = _USUAL_PRODUCT_HZ
        frequency = np.geomspace(*_MODES_HZ, _MODE_POINTS)
        sign, size = np.linalg.slogdet(self.matrix(values, ideal_drive(frequency)))
        slope = np.diff(size) / np.diff(np.log(frequency))
        degree = slope[-1] - slope[0]
        turned = np.unwrap(np.angle(sign))
        quarters = (turned[-1] - turned[0]) / (math.pi / 2.0)
        return round(float(degree - quarters) / 2.0)


_USUAL_PRODUCT_HZ = 10e6  # of what is sold for such stages
_MODES_HZ = (1e-6, 1e15)  # far beyond the slowest coupling and the fastest node
_MODE_POINTS = 4200  # 200 a decade: a mode with a Q of 60 turns the argument by less than half


class _Equations:
    """Collects the equations of a circuit; the common return has no row."""

    def __init__(self, nodes: tuple[str, ...], sources: int) -> None:
        size = len(nodes) + sources
        self.row_of = {name: k for k, name in enumerate(nodes)}
        self.fixed = np.zeros((size, size))
        self.ports: list[Port] = []
        self.next = len(nodes)

    def vector(self, plus: str | int, minus: str = "0") -> Floats:
        """1 at one node or row, and -1 at another."""
        vector = np.zeros(len(self.fixed))
        for name, sign in ((plus, 1.0), (minus, -1.0)):
            if name != "0":
                vector[self.row_of[name] if isinstance(name, str) else name] = sign
        return vector

    def across(self, quantity: Quantity, first: str, second: str) -> None:
        """A resistor or a capacitor between two nodes."""
        vector = self.vector(first, second)
        power, order = (1, 1) if quantity.unit == "F" else (-1, 0)
        self.ports.append(Port(quantity, 1.0, power, order, vector, vector))

    def amplifier(self, block: Amplifier) -> None:
        """u (1 + s/corner) = gain v_in;  v_out + R i = u;  i flows into the output's node."""
        emf, row = self.next, self.next + 1
        self.next += 2
        first, second = self.vector(emf), self.vector(row)
        self.fixed[emf, emf] = 1.0
        self.fixed[row, emf] = -1.0
        self.fixed[row] += self.vector(block.output)
        self.fixed[:, row] -= self.vector(block.output)

        def given(name: str, unit: str, value: float | None, absent: float = math.inf) -> Quantity:
            nominal = absent if value is None else value
            return Quantity(block.name, name, unit, nominal, block.tolerance)

        corner = given("corner", "Hz", block.corner_hz)
        resistance = given("output resistance", "ohm", block.output_resistance)
        drives = self.vector(block.input)
        self.ports += [
            Port(given("gain", "", block.gain), -1.0, 1, 0, first, drives),
            Port(resistance, 1.0, 1, 0, second, second),
            Port(corner, 1.0 / (2.0 * math.pi), -1, 1, first, first),
        ]
        self.across(given("input resistance", "ohm", block.input_resistance), block.input, "0")
        capacitance = given("input capacitance", "F", block.input_capacitance, 0.0)
        self.across(capacitance, block.input, "0")

    def operational_amplifier(self, stage: OperationalAmplifier) -> None:
        """v_plus - v_minus = s v_out / (2 pi product); i flows into the output's node."""
        row = self.next
        self.next += 1
        self.fixed[row] += self.vector(stage.plus, stage.minus)
        self.fixed[:, row] -= self.vector(stage.output)
        product = math.inf if stage.gain_bandwidth_hz is None else stage.gain_bandwidth_hz
        quantity = Quantity(stage.name, "gain-bandwidth product", "Hz", product, _GAIN_BANDWIDTH)
        law = (-1.0 / (2.0 * math.pi), -1, 1)
        self.ports.append(Port(quantity, *law, self.vector(row), self.vector(stage.output)))


def nodal_model(circuit: UnitCircuit) -> NodalModel:
    """Write the equations of a circuit.

    Parameters
    ----------
    circuit : UnitCircuit
        The circuit.

    Returns
    -------
    NodalModel
        The equations; a leakage across each capacitor and a load are nominally not there.
    """
    sources = 2 * len(circuit.amplifiers) + len(circuit.operational_amplifiers)
    equations = _Equations(circuit.nodes, sources)
    capacitors = []
    for position in circuit.positions:
        kind, ref = position.element.kind, position.element.ref
        resistor = kind is ElementKind.RESISTOR
        name = "resistance" if resistor else "capacitance"
        part = Quantity(ref, name, kind.unit, position.value, position.tolerance)
        equations.across(part, *position.element.nodes)
        capacitors += [] if resistor else [position.element]
    given = circuit.input
    for name, unit in (("resistance", "ohm"), ("capacitance", "F")):
        quantity = Quantity("input", name, unit, getattr(given, name), given.tolerance)
        equations.across(quantity, "in", "0")
    for block in circuit.amplifiers:
        equations.amplifier(block)
    for stage in circuit.operational_amplifiers:
        equations.operational_amplifier(stage)
    for element in capacitors:
        equations.across(Quantity(element.ref, "leakage", "ohm", math.inf, 0.0), *element.nodes)
    equations.across(Quantity("load", "resistance", "ohm", math.inf, 0.0), "out", "0")
    equations.across(Quantity("load", "capacitance", "F", 0.0, 0.0), "out", "0")
    return NodalModel(circuit, tuple(equations.ports), equations.fixed, circuit.nodes)


_GAIN_BANDWIDTH = 0.3  # data sheets give a typical value; units scatter by about a third
