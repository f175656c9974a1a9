"""What is proved of the parts of a box, in words."""

from __future__ import annotations

from antecurve.switched.added_parts import Addition

__all__ = ["chosen_claim", "search_claim"]


def search_claim(
    proved: bool, bound_db: float, additions: tuple[Addition, ...], *, interrupted: bool
) -> str:
    """Say what a joint search proved.

    Parameters
    ----------
    proved : bool
        Whether no other parts do better.
    bound_db : float
        What the largest error is not below [dB]; 0 where nothing was proved.
    additions : tuple of Addition
        Positions of which one part stays while each throw adds to it.
    interrupted : bool
        Whether an interruption from the keyboard ended the search.

    Returns
    -------
    str
        A sentence without its capital and its full stop.
    """
    if proved:
        stays = f", this part of {', '.join(a.ref for a in additions)} staying" if additions else ""
        return (
            f"with this switch and these ultrasonic poles{stays}, no other parts have a smaller "
            "largest error (proved)"
        )
    early = "was interrupted" if interrupted else "ended early"
    if bound_db > 0.0:
        return f"the search {early}; with any parts some position is at least {bound_db:.3g} dB off"
    more = "left to its end it" if interrupted else "a longer pick.budget_seconds"
    return f"the search {early} and reached no lower bound above 0 dB; {more} proves more"


def chosen_claim(error_db: float, *, search_db: float, bound_db: float) -> str:
    """Say what is known of an alternative that was chosen by hand.

    Parameters
    ----------
    error_db, search_db : float
        Largest error with its parts, and with those of the search [dB].
    bound_db : float
        What its error is not below with any parts [dB]; 0 where nothing was proved.

    Returns
    -------
    str
        One or two sentences, as `search_claim` gives them.
    """
    claim = (
        f"an alternative was chosen by hand: ±{error_db:.4f} dB or less, ±{search_db:.4f} dB with "
        "the pick of the search"
    )
    if bound_db:
        claim += f". With any parts of its network some position is at least {bound_db:.3g} dB off"
    return claim
