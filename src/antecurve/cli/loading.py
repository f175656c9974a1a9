"""``antecurve loading``: other generators, inputs and cables."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Optional

import typer

from antecurve.cli.options import AsJson, DesignFile, Force, OutputFolder

if TYPE_CHECKING:
    from antecurve.analysis.loading import LoadingResult

__all__ = ["loading"]


def loading(
    design_file: DesignFile,
    source: Annotated[
        Optional[list[str]],  # noqa: UP045
        typer.Option(metavar="OHM", help="A generator's resistance, beside the usual ones."),
    ] = None,
    load: Annotated[
        Optional[list[str]],  # noqa: UP045
        typer.Option(metavar="OHM", help="A unit's input resistance, beside the usual ones."),
    ] = None,
    capacitance: Annotated[
        Optional[list[str]],  # noqa: UP045
        typer.Option(metavar="FARAD", help="A unit's input capacitance, beside the usual ones."),
    ] = None,
    cable: Annotated[
        str, typer.Option(metavar="F/M", help="Capacitance of the cable per metre.")
    ] = "100 pF/m",
    cable_length: Annotated[
        str, typer.Option(metavar="METRES", help="Length of the cable, added to every input.")
    ] = "0",
    growth: Annotated[
        str, typer.Option(metavar="DB", help="How much the error may grow within the window.")
    ] = "0.1 dB",
    channels: Annotated[
        int, typer.Option(help="Equal networks on one generator, up to this number.", min=1)
    ] = 2,
    everything: Annotated[
        bool, typer.Option("--all", help="Print every combination, not one change at a time.")
    ] = False,
    output: OutputFolder = None,
    force: Force = False,
    as_json: AsJson = False,
) -> None:
    """Say what other generators, inputs and cables do to level and error, and how far they may go.

    With -o the folder gets loading.csv and strays.csv.

    Example: antecurve loading bench-network/design.json --source 600 --cable-length 3
    """
    from antecurve.analysis import loading as analysis
    from antecurve.analysis.impedance_advice import generator_advice
    from antecurve.analysis.strays import stray_table
    from antecurve.cli.show import show_json, show_table
    from antecurve.errors import OutputExistsError
    from antecurve.files import bench_content as content
    from antecurve.files.design_file import read_design
    from antecurve.files.output_folder import write_folder
    from antecurve.quantities import parse_quantity
    from antecurve.report import bench_tables as tables

    if output is not None and output.exists() and not force:
        raise OutputExistsError(output)
    sources = [parse_quantity(v, unit="ohm", field="--source", minimum=0) for v in source or ()]
    loads = [
        parse_quantity(v, unit="ohm", field="--load", minimum=0, exclusive=True) for v in load or ()
    ]
    farads = [
        parse_quantity(v, unit="F", field="--capacitance", minimum=0) for v in capacitance or ()
    ]
    cable_f = analysis.cable_capacitance(
        capacitance_per_metre=parse_quantity(cable, unit="F/m", field="--cable", minimum=0),
        length_m=parse_quantity(cable_length, unit="m", field="--cable-length", minimum=0),
    )
    growth_db = parse_quantity(growth, unit="dB", field="--growth", minimum=0, exclusive=True)
    design = read_design(design_file)
    job, network = design.job, design.network
    result = analysis.loading_table(
        network,
        curve=job.curve,
        loading=job.loading,
        band_hz=job.target.band_hz,
        source_ohm=(*analysis.SOURCE_RESISTANCES_OHM, *sources),
        load_ohm=(*analysis.LOAD_RESISTANCES_OHM, *loads),
        load_f=(*analysis.LOAD_CAPACITANCES_F, *farads),
        cable_f=cable_f,
        growth_db=growth_db,
    )
    advice = generator_advice(
        network,
        curve=job.curve,
        loading=job.loading,
        band_hz=job.target.band_hz,
        source_ohm=sorted(
            {*analysis.SOURCE_RESISTANCES_OHM, *sources} - {job.loading.source_resistance}
        ),
        growth_db=growth_db,
        output_resistance_max=job.network.output_resistance_max,
    )
    shared = analysis.shared_generator(
        network,
        curve=job.curve,
        loading=job.loading,
        band_hz=job.target.band_hz,
        channels=channels,
    )
    strays = stray_table(network, curve=job.curve, loading=job.loading, band_hz=job.target.band_hz)
    if output is not None:
        files = {
            "loading.csv": content.frame_csv(result.to_frame()),
            "strays.csv": content.frame_csv(strays.to_frame()),
        }
        write_folder(output, files, force=force)
    if as_json:
        show_json(
            {
                **result.as_dict(),
                "advice": content.advice_content(advice),
                "channels": shared.as_dict()["rows"],
                "strays": content.frame_rows(strays.to_frame()),
            }
        )
        return
    for line in (*tables.window_lines(result.window), "", *(a.sentence for a in advice)):
        print(line)
    show_table(tables.combination_rows(result if everything else _one_change(result)))
    print("One generator feeding one network and more:")
    show_table(tables.combination_rows(shared))
    print("Stray capacitances that matter most, one at a time:")
    show_table(tables.stray_rows(strays))
    if output is not None:
        print(f"Written to {output}: loading.csv strays.csv")


def _one_change(result: LoadingResult) -> LoadingResult:
    """The combinations that differ from nominal in one value at most."""
    from dataclasses import replace

    import numpy as np

    names = ("source_ohm", "load_ohm", "load_f")
    columns = [getattr(result, name) for name in names]
    changes = np.sum([column != column[0] for column in columns], axis=0)
    kept = (*names, "level_shift_db", "error_centred_db")
    return replace(result, **{name: getattr(result, name)[changes <= 1] for name in kept})
