"""``antecurve loading``: other generators, inputs and cables."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Annotated, Optional

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
    from antecurve.analysis.impedance_advice import GeneratorAdvice
    from antecurve.analysis.loading import LoadingResult
    from antecurve.analysis.strays import StrayTable
    from antecurve.pipeline import Design

__all__ = ["loading"]


def loading(
    design_file: DesignFile,
    position: PositionName = None,
    source: Annotated[
        Optional[list[str]],  # noqa: UP045
        typer.Option(metavar="OHMS", help="Further generator to compare, by its resistance."),
    ] = None,
    load: Annotated[
        Optional[list[str]],  # noqa: UP045
        typer.Option(metavar="OHMS", help="Further unit to compare, by its input resistance."),
    ] = None,
    capacitance: Annotated[
        Optional[list[str]],  # noqa: UP045
        typer.Option(metavar="FARADS", help="Further unit to compare, by its input capacitance."),
    ] = None,
    cable: Annotated[
        str, typer.Option(metavar="F/M", help="Capacitance of the cable per metre.")
    ] = "100 pF/m",
    cable_length: Annotated[
        str, typer.Option(metavar="METRES", help="Length of the cable, added to every input.")
    ] = "0",
    growth: Annotated[
        str, typer.Option(metavar="DB", help="By how much the error may grow.")
    ] = "0.1 dB",
    channels: Annotated[
        int,
        typer.Option(
            metavar="COUNT", help="Equal networks on one generator, up to this number.", min=1
        ),
    ] = 2,
    every_combination: Annotated[
        bool, typer.Option("--all", help="Print every combination, not one change at a time.")
    ] = False,
    output: OutputFolder = None,
    force: Force = False,
    as_json: AsJson = False,
) -> None:
    """Compare other generators, unit inputs and cables.

    With -o the folder gets loading.csv and strays.csv.

    \b
    Example: antecurve loading design.json --source 600 --cable-length 3
    """
    from antecurve.analysis.loading import cable_capacitance
    from antecurve.cli.delivery import deliver
    from antecurve.cli.progress import busy_progress
    from antecurve.files.design_file import read_design
    from antecurve.quantities import parse_positive

    refuse_existing(output, force=force)
    asked = _Asked(
        source_ohm=_values(source, "ohm", "--source", zero=True),
        load_ohm=_values(load, "ohm", "--load", zero=False),
        load_f=_values(capacitance, "F", "--capacitance", zero=True),
        cable_f=cable_capacitance(
            capacitance_per_metre=parse_positive(cable, "F/m", "--cable", zero=True),
            length_m=parse_positive(cable_length, "m", "--cable-length", zero=True),
        ),
        growth_db=parse_positive(growth, "dB", "--growth"),
        channels=channels,
    )
    design = read_design(design_file, position=position)
    with busy_progress("loads and strays"):
        loadings = _analysed(design, asked)
    deliver(
        files=loadings.files,
        content=loadings.content,
        show=lambda: _show(loadings, every_combination=every_combination),
        output=output,
        force=force,
        as_json=as_json,
        position=design.position,
    )


@dataclass(frozen=True, slots=True)
class _Asked:
    """Values beside the usual ones, the cable's capacitance, and how far the window goes."""

    source_ohm: tuple[float, ...]
    load_ohm: tuple[float, ...]
    load_f: tuple[float, ...]
    cable_f: float
    growth_db: float
    channels: int


@dataclass(frozen=True, slots=True)
class _Loadings:
    result: LoadingResult
    advice: tuple[GeneratorAdvice, ...]
    shared: LoadingResult
    strays: StrayTable

    def content(self) -> dict[str, object]:
        """Collect what is printed as JSON."""
        return {
            **self.result.to_dict(),
            "advice": self.advice,
            "channels": self.shared.records,
            "strays": self.strays.records,
        }

    def files(self) -> dict[str, bytes]:
        """Write the files, by name."""
        from antecurve.files.bench_content import frame_csv

        return {
            "loading.csv": frame_csv(self.result.to_frame()),
            "strays.csv": frame_csv(self.strays.to_frame()),
        }


def _values(texts: list[str] | None, unit: str, field: str, *, zero: bool) -> tuple[float, ...]:
    from antecurve.quantities import parse_positive

    return tuple(parse_positive(text, unit, field, zero=zero) for text in texts or ())


def _analysed(design: Design, asked: _Asked) -> _Loadings:
    from antecurve.analysis import loading as analysis
    from antecurve.analysis.impedance_advice import generator_advice
    from antecurve.analysis.strays import stray_table

    loading = design.job.loading
    sources = (*analysis.SOURCE_RESISTANCES_OHM, *asked.source_ohm)
    return _Loadings(
        result=analysis.loading_table(
            design,
            source_ohm=sources,
            load_ohm=(*analysis.LOAD_RESISTANCES_OHM, *asked.load_ohm),
            load_f=(*analysis.LOAD_CAPACITANCES_F, *asked.load_f),
            cable_f=asked.cable_f,
            growth_db=asked.growth_db,
        ),
        advice=generator_advice(
            design,
            source_ohm=sorted({*sources} - {loading.source_resistance}),
            growth_db=asked.growth_db,
        ),
        shared=analysis.shared_generator(design, channels=asked.channels),
        strays=stray_table(design),
    )


def _show(loadings: _Loadings, *, every_combination: bool) -> None:
    from antecurve.analysis.loading import one_change
    from antecurve.cli.show import show_table
    from antecurve.report import bench_tables as tables

    result = loadings.result
    say(*tables.window_lines(result.window), "", *tables.advice_lines(loadings.advice))
    show_table(tables.combination_rows(result if every_combination else one_change(result)))
    say("One generator feeding one or more networks:")
    show_table(tables.combination_rows(loadings.shared))
    say("Stray capacitances that matter most, one at a time:")
    show_table(tables.stray_rows(loadings.strays))
