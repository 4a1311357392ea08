"""`dashpot export`: a run's ticks as CSV, Parquet or MF4."""

from __future__ import annotations

from pathlib import Path

import click

from dashpot import console
from dashpot.errors import InputError


@click.command("export", short_help="Write a run's ticks as CSV, Parquet or MF4.")
@click.argument("run_folder", metavar="RUN", type=click.Path(path_type=Path))
@click.option(
    "--to", "target", required=True, type=click.Path(path_type=Path),
    help="The file to make; .csv, .parquet or .mf4 chooses the format.",
)  # fmt: skip
@click.option(
    "--columns",
    "patterns",
    multiple=True,
    metavar="GLOB",
    help="Only columns that match; may be given again.",
)
@click.option("--replace", is_flag=True, help="Replace an earlier file.")
@click.option("--json", "as_json", is_flag=True, help="Print what was written as JSON.")
def command(run_folder: Path, target: Path, patterns: tuple[str, ...], replace: bool, as_json: bool) -> None:
    """Write the ticks of RUN, a folder of `dashpot replay`, for other programs.

    Names, units and descriptions are those of docs/runs.md. A CSV file has its units and descriptions beside it, in
    NAME.csv-metadata.json.
    """
    from dashpot.export import METADATA, chosen_columns, export_run
    from dashpot.runs import open_run

    run = open_run(run_folder)
    columns = chosen_columns(run, patterns)
    for path in (target, target.with_name(target.name + METADATA)):
        if path.exists() and not replace:
            raise InputError("is there already; --replace writes it anew", where=path)
    run.verify()
    with console.progress(run.ticks, "export", "ticks") as bar:
        made = export_run(run, target, columns, bar.advance)
    if as_json:
        console.print_json(
            {
                "files": [str(path) for path in made],
                "ticks": run.ticks,
                "columns": [info.name for info in columns],
            }
        )
    else:
        click.echo(f"{run.ticks:,} ticks of {len(columns)} columns: {', '.join(str(path) for path in made)}")
