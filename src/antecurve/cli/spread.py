"""``antecurve spread``: what builds of a design will do."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Optional

import typer

from antecurve.cli.options import (
    AsJson,
    DesignFile,
    Force,
    OutputFolder,
    PositionName,
    refuse_existing,
)
from antecurve.cli.terminal import say

if TYPE_CHECKING:
    from antecurve.analysis.planning import TolerancePlan
    from antecurve.analysis.spread import SpreadResult
    from antecurve.job import Job
    from antecurve.pipeline import Design

__all__ = ["spread"]

_LEAST_YIELD = 0.01  # below 1 % the number was meant as a fraction


def spread(
    design_file: DesignFile,
    position: PositionName = None,
    builds: Annotated[
        Optional[int],  # noqa: UP045
        typer.Option(metavar="COUNT", help="Number of builds; as in the job by default.", min=1),
    ] = None,
    seed: Annotated[
        Optional[int],  # noqa: UP045
        typer.Option(metavar="NUMBER", help="Seed of the draw; as in the job by default.", min=0),
    ] = None,
    limit: Annotated[
        Optional[str],  # noqa: UP045
        typer.Option(metavar="DB", help="Limit for the yield; the job's error limit by default."),
    ] = None,
    distribution: Annotated[
        Optional[str],  # noqa: UP045
        typer.Option(
            metavar="NAME",
            help="Law of the values: uniform, or normal (tolerance = 3 sigma, cut there).",
        ),
    ] = None,
    samples: Annotated[
        Optional[Path],  # noqa: UP045
        typer.Option(
            metavar="VALUES.csv",
            help="Draw from measured values: columns ref and value, one row a measured part.",
        ),
    ] = None,
    reel_correlation: Annotated[
        float,
        typer.Option(
            metavar="NUMBER", help="Correlation of equal parts off one reel, 0 to below 1."
        ),
    ] = 0.0,
    wanted: Annotated[
        Optional[str],  # noqa: UP045
        typer.Option(
            "--yield",
            metavar="PERCENT",
            help="Also plan tolerances: the cheapest grades of the job that keep this yield.",
        ),
    ] = None,
    level_limit: Annotated[
        Optional[str],  # noqa: UP045
        typer.Option(metavar="DB", help="With --yield: limit of the level at 1 kHz, re nominal."),
    ] = None,
    mismatch_limit: Annotated[
        Optional[str],  # noqa: UP045
        typer.Option(
            metavar="DB", help="With --yield: limit of the difference of two channels in the band."
        ),
    ] = None,
    output: OutputFolder = None,
    force: Force = False,
    as_json: AsJson = False,
) -> None:
    """Simulate builds within tolerance.

    With -o the folder gets spread.json, and spread.csv with percentiles over frequency.  Exit
    code 1 when more than 5 % of the builds exceed a limit, or when the builds were interrupted.
    The results are then those of the builds done.

    \b
    Example: antecurve spread design.json --builds 1000000 --limit "0.2 dB"
    """
    from antecurve.cli.delivery import deliver
    from antecurve.cli.progress import busy_progress
    from antecurve.files.build_content import spread_files
    from antecurve.files.design_file import read_design

    refuse_existing(output, force=force)
    if wanted is not None:
        _refuse_with_yield(samples)
    else:
        _refuse_without_yield(level_limit, mismatch_limit)
    design = read_design(design_file, position=position)
    job = _as_asked(design.job, builds, seed, limit, distribution)
    design = replace(design, job=job)
    plan = None
    if wanted is not None:
        with busy_progress("planning tolerances"):
            plan = _plan(design, wanted, level_limit, mismatch_limit, reel_correlation)
    result = _draw(design, samples, reel_correlation)
    more = {} if plan is None else {"plan": plan.to_dict()}
    deliver(
        files=lambda: spread_files(result),
        content=lambda: {**result.to_dict(), **more},
        show=lambda: _show(result, plan),
        output=output,
        force=force,
        as_json=as_json,
        position=design.position,
    )
    if _missed(result):
        raise typer.Exit(1)


def _refuse_with_yield(samples: Path | None) -> None:
    from antecurve.errors import InputError

    if samples is not None:
        rule = (
            "--yield plans with parts drawn within the tolerances of the grades; leave this option "
            "out, or --yield"
        )
        raise InputError("--samples", str(samples), rule)


def _refuse_without_yield(level_limit: str | None, mismatch_limit: str | None) -> None:
    from antecurve.errors import InputError

    for option, given in (("--level-limit", level_limit), ("--mismatch-limit", mismatch_limit)):
        if given is not None:
            raise InputError(option, given, "it belongs to a plan; give --yield as well")


def _missed(result: SpreadResult) -> bool:
    """Say on stderr what was missed; whether anything was."""
    from antecurve.cli.outcome import was_interrupted

    missed = was_interrupted(result)
    within, p95 = result.within, result.centred_db.p95
    if within is not None and p95 > within.limit_db:
        typer.echo(
            f"antecurve: 95 % of builds have an error up to {p95:.3f} dB, which misses the limit "
            f"of {within.limit_db:g} dB",
            err=True,
        )
        return True
    return missed


def _show(result: SpreadResult, plan: TolerancePlan | None) -> None:
    from antecurve.cli.show import show_table
    from antecurve.report import build_tables as tables

    say(*tables.spread_lines(result))
    show_table(tables.spread_rows(result))
    show_table(tables.sensitivity_rows(result))
    say(tables.curve_line(result))
    show_table(tables.curve_rows(result))
    if plan is not None:
        say(tables.plan_line(plan))
        show_table(tables.plan_rows(plan))


def _as_asked(
    job: Job, builds: int | None, seed: int | None, limit: str | None, distribution: str | None
) -> Job:
    """The job with what the options ask for."""
    from antecurve.quantities import parse_positive

    given = {"builds": builds, "seed": seed, "distribution": distribution}
    asked: Any = {name: value for name, value in given.items() if value is not None}
    target = job.target
    if limit is not None:
        limit_db = parse_positive(limit, "dB", "--limit")
        target = replace(target, error_limit_db=limit_db)
    return replace(job, target=target, spread=replace(job.spread, **asked))


def _decibel(given: str | None, option: str) -> float | None:
    from antecurve.quantities import parse_positive

    return None if given is None else parse_positive(given, "dB", option)


def _plan(
    design: Design,
    wanted: str,
    level_limit: str | None,
    mismatch_limit: str | None,
    reel_correlation: float,
) -> TolerancePlan:
    from antecurve.analysis.planning import plan_tolerances
    from antecurve.errors import InputError
    from antecurve.quantities import parse_percent

    if design.job.target.error_limit_db is None:
        raise InputError("--yield", wanted, "a yield needs a limit; give --limit")
    fraction = parse_percent(wanted, "--yield")
    if fraction < _LEAST_YIELD:
        rule = "it is in per cent and at least 1 %; for a fraction of 0.95 write 95 %"
        raise InputError("--yield", wanted, rule)
    return plan_tolerances(
        design,
        wanted=fraction,
        level_limit_db=_decibel(level_limit, "--level-limit"),
        mismatch_limit_db=_decibel(mismatch_limit, "--mismatch-limit"),
        reel_correlation=reel_correlation,
    )


def _draw(design: Design, samples: Path | None, reel_correlation: float) -> SpreadResult:
    import os

    from antecurve.analysis.spread import spread as draw
    from antecurve.cli.progress import count_progress
    from antecurve.files.measured import read_samples

    with count_progress("builds") as progress:
        return draw(
            design,
            distribution="empirical" if samples else None,
            measured=read_samples(samples, design.picked) if samples else None,
            reel_correlation=reel_correlation,
            workers=os.cpu_count() or 1,
            progress=progress,
        )
