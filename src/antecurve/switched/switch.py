"""The switch of a box: poles, throws, numbered contacts, and why none smaller does."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

from antecurve.networks.topology import Topology
from antecurve.parts.position import Position
from antecurve.pipeline import Design
from antecurve.results import Result
from antecurve.switched.added_parts import Addition, serving_throw, soldered
from antecurve.switched.joint_pick import PickedBox
from antecurve.switched.limit_sets import WithinLimit
from antecurve.switched.sharing import SharedSet, Sharings
from antecurve.switched.throws import OPEN, SHORT

__all__ = ["Switch", "SwitchContact", "switch_of"]

_MOST_NAMED = 8  # sets: a longer list nobody reads
_WAFERS = "ABDEFGHJKLMNPSTUVWXYZ"
"""Letters of the poles: not C and R, which are parts, nor I, O and Q, which read as digits."""


@dataclass(frozen=True, slots=True)
class SwitchContact(Result):
    """One fixed contact of the switch.

    Attributes
    ----------
    contact : str
        Its number: the letter of the pole and the number of the throw, ``A1``.
    position : str
        Name of the switch position in which the wiper rests on it.
    ref : str
        The switched position of the network.
    nodes : tuple of str
        Where it goes: the wiper to the first node, what is fitted from the contact to the second.
    state : str
        ``fitted``, ``open``, ``short`` or ``idle`` (no effect, may be left open).
    value : float or None
        Value fitted [ohm or F].
    part : str
        Reference of what is fitted; the same on several contacts where they are joined.
    """

    contact: str
    position: str
    ref: str
    nodes: tuple[str, str]
    state: str
    value: float | None
    part: str


@dataclass(frozen=True, slots=True)
class Switch(Result):
    """The switch that a box needs.

    Attributes
    ----------
    form : str
        Name of the network's form.
    poles, throws : int
        One pole for each switched position of the network, one throw for each curve.
    switched, shared : tuple of str
        References of the switched positions and of those that stay.
    separate : tuple of str
        Of the switched ones those with a value for each throw; the others are opened or shorted.
    added : tuple of Addition
        Of these the ones of which a part stays while each throw adds to it.
    proved : bool
        Whether no smaller set of switched positions makes every curve exactly.
    reasons : tuple of str
        Why no smaller one does, in sentences.
    joined_poles : int
        Poles that do when parts between the same two nodes go to one contact.
    contacts : tuple of SwitchContact
        Every contact, pole by pole.
    searched_forms : tuple of str
        Forms in which that is not proved, but searched; ``proved`` is true where there is none.
    exact : bool
        Whether this set makes every curve exactly.
    within : WithinLimit or None
        What is proved of smaller sets that keep the error limit without being exact; ``None``
        where there is no limit, or the time was over.
    """

    _rows: ClassVar = "contacts"

    form: str
    poles: int
    throws: int
    switched: tuple[str, ...]
    shared: tuple[str, ...]
    separate: tuple[str, ...]
    added: tuple[Addition, ...]
    proved: bool
    reasons: tuple[str, ...]
    joined_poles: int
    contacts: tuple[SwitchContact, ...]
    searched_forms: tuple[str, ...] = ()
    exact: bool = True
    within: WithinLimit | None = None


def switch_of(picked: PickedBox, designs: tuple[Design, ...]) -> Switch:
    """Work out the switch of a picked box.

    Parameters
    ----------
    picked : PickedBox
        Switched positions and parts.
    designs : tuple of Design
        The design of each position of the switch.

    Returns
    -------
    Switch
        The switch.
    """
    shared = picked.best.shared
    topology = shared.joint.topology
    switched = tuple(r for r in topology.refs if r in shared.switched)
    contacts = _contacts(picked, designs, topology, switched)
    return Switch(
        form=shared.form,
        poles=len(switched),
        throws=len(designs),
        switched=switched,
        shared=tuple(r for r in topology.refs if r not in shared.switched),
        separate=tuple(r for r in topology.refs if r in shared.joint.separate),
        added=picked.best.additions,
        proved=not (picked.unproved_forms or picked.sharings.left_out),
        searched_forms=picked.unproved_forms,
        exact=picked.best.exact,
        within=picked.within,
        reasons=_reasons(picked, designs),
        joined_poles=len({frozenset(contact.nodes) for contact in contacts}),
        contacts=contacts,
    )


def _contacts(
    picked: PickedBox, designs: tuple[Design, ...], topology: Topology, switched: tuple[str, ...]
) -> tuple[SwitchContact, ...]:
    contacts = []
    shared = picked.best.shared
    joined = {a.ref: a.joined for a in picked.best.additions}
    networks = [design.picked for design in designs]
    for letter, ref in zip(_WAFERS, switched, strict=False):
        nodes = topology.elements[topology.refs.index(ref)].nodes
        if joined.get(ref) == "series":
            nodes = (f"{ref}-end", nodes[1])
        for throw, (network, contact, design) in enumerate(
            zip(shared.networks, shared.joint.contacts, designs, strict=True), start=1
        ):
            fitted: Position | None = next(
                (p for p in design.picked.positions if p.element.ref == ref), None
            )
            states = dict(network.states)
            state = "fitted" if fitted is not None else states.get(ref, "idle")
            part, value = "", None if fitted is None else fitted.value
            serving = throw
            if fitted is not None:
                serving = serving_throw(networks, throw, ref, added=ref in joined)
            if fitted is not None and ref in joined:
                pieces = soldered(fitted, serving, separate=True, added=True)
                if len(pieces) == 1:  # the part that stays serves this throw alone
                    state, value = (SHORT if joined[ref] == "series" else OPEN), None
                else:
                    part, value = pieces[1][0], pieces[1][1].value
            elif fitted is not None:
                part = f"{ref}_{serving}" if ref in shared.joint.separate else ref
            part = "wire" if state == SHORT else part
            contacts.append(
                SwitchContact(f"{letter}{throw}", contact.name, ref, nodes, state, value, part)
            )
    return tuple(contacts)


def _reasons(picked: PickedBox, designs: tuple[Design, ...]) -> tuple[str, ...]:
    """Why no smaller set does: what throws open or short, the conflicts, and what is proved."""
    shared = picked.best.shared
    reasons = _thrown_reasons(shared)
    reasons += [conflict.sentence for conflict in picked.sharings.why(shared)]
    if not shared.switched:
        return tuple(reasons)
    limit = designs[0].job.target.error_limit_db
    error_db = picked.best.pick.error_db
    if not picked.best.exact and (limit is None or error_db > limit):
        reasons.append(
            f"with {len(shared.switched)} switched the curves are met within ±{error_db:.3f} dB, "
            "not exactly"
        )
        return tuple(reasons)
    if not picked.best.exact:
        reasons.append(
            f"with {len(shared.switched)} switched every curve stays within the limit of "
            f"{limit:g} dB, though not exactly"
        )
        return (*reasons, *_limit_words(picked, limit), *_untried_words(picked.sharings))
    reasons += _proved_words(picked) + _untried_words(picked.sharings)
    return (*reasons, *_limit_words(picked, limit))


def _limit_words(picked: PickedBox, limit: float | None) -> list[str]:
    """What is known of smaller sets within the error limit, exact or not."""
    if limit is None:
        return []
    count, within = len(picked.best.shared.switched), picked.within
    searched = f"the search found no smaller set that stays within {limit:g} dB (not proved)"
    if picked.sharings.cut_short:
        searched = f"whether a smaller set stays within {limit:g} dB is not known"
    if within is None:
        return [searched]
    stays = f"of fewer than {count} positions stays within {limit:g} dB with any values"
    if within.proved:
        return [f"no set {stays} in {_where(picked)} (proved over all sets)"]
    words = []
    if within.proved_sets:
        sets = within.proved_sets + len(within.open_sets)
        words.append(
            f"{within.proved_sets} of {sets} sets of {count - 1} positions exceed {limit:g} dB "
            "whatever the values, and so do their subsets (proved)"
        )
    by_bound: dict[float, list[str]] = {}
    for open_set in within.open_sets:
        named = f"{_listed(list(open_set.switched)) or 'none'} in {open_set.form}"
        by_bound.setdefault(open_set.bound_db, []).append(named)
    for bound, sets_named in by_bound.items():
        told = f"are at least {bound:.3g} dB off (proved)" if bound else "have no bound"
        told = f"{told}, and the search found none within {limit:g} dB"
        if len(sets_named) > _MOST_NAMED:
            words.append(f"{len(sets_named)} sets {told}")
        else:
            words.append(f"these {told}: {'; '.join(sets_named)}")
    if within.other_forms:
        words.append(f"in {_listed(list(within.other_forms))} {searched}")
    return words


def _where(picked: PickedBox) -> str:
    """The forms that were looked into."""
    left_out = picked.sharings.left_out
    return ", ".join(picked.sharings.forms) if left_out else "any form asked for"


def _proved_words(picked: PickedBox) -> list[str]:
    """Of sets that make every curve exactly: in which forms it is proved that none is smaller."""
    count, unproved = len(picked.best.shared.switched), picked.unproved_forms
    proved = [form for form in picked.sharings.forms if form not in unproved]
    words = []
    if proved:
        where = ", ".join(proved) if unproved else _where(picked)
        words.append(
            f"no set of fewer than {count} positions makes every curve exactly in {where} "
            "(proved over all sets)"
        )
        words.append(
            "this holds for every level, impedance and ultrasonic pole that the job allows"
        )
    for form in unproved:
        least = picked.sharings.proved_count(form, count)
        known = f"at least {least} must be switched (proved), and " if least else ""
        claim = f"the search found no set of fewer than {count} that makes every curve exactly"
        if picked.sharings.cut_short:
            claim = f"not every set of fewer than {count} was tried"
        words.append(f"in {form} {known}{claim} (not proved)")
    return words


def _untried_words(sharings: Sharings) -> list[str]:
    """What the budget ended before."""
    words = []
    if sharings.cut_short:
        words.append(
            "the budget ended before all smaller sets were tried; a longer pick.budget_seconds may "
            "find one"
        )
    if sharings.left_out:
        few = len(sharings.left_out) <= 3
        forms = ", ".join(sharings.left_out) if few else f"{len(sharings.left_out)} more forms"
        words.append(
            f"the budget ended before {forms} could be tried; a longer pick.budget_seconds tries "
            "more"
        )
    return words


def _thrown_reasons(shared: SharedSet) -> list[str]:
    """What positions of the switch open and short, those alike in one sentence."""
    names: dict[tuple[tuple[str, str], ...], list[str]] = {}
    for contact, network in zip(shared.joint.contacts, shared.networks, strict=True):
        if network.states:
            names.setdefault(network.states, []).append(contact.name)
    reasons = []
    for states, needing in names.items():
        words = [f"{ref} {'shorted' if state == SHORT else 'open'}" for ref, state in states]
        verb = "need" if len(needing) > 1 else "needs"
        what = "these" if len(words) > 1 else "it"
        reasons.append(f"{_listed(needing)} {verb} {_listed(words)}, so {what} must be switched")
    return reasons


def _listed(words: list[str]) -> str:
    """Words with commas, and the last with an and."""
    return " and ".join([", ".join(words[:-1]), words[-1]] if len(words) > 1 else words)
