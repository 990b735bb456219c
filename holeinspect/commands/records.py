"""`holeinspect records copy`: a whole copy of the records, also while they are served."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Annotated

import typer

from holeinspect.commands.serve import DATABASE_VARIABLE, Data
from holeinspect.errors import ServiceError

app = typer.Typer(help="The records of the bench.")
Target = Annotated[Path, typer.Argument(metavar="FOLDER", help="New folder for the copy.")]


@app.callback()
def _records() -> None:
    """The records of the bench."""


@app.command()
def copy(target: Target, data: Data = None) -> None:
    """Copy all records and photos to FOLDER, also while holeinspect serve runs. The copy is served with --data FOLDER."""
    from holeinspect.records.copies import copy_records
    from holeinspect.scale.readings import data_folder

    if os.environ.get(DATABASE_VARIABLE):
        raise ServiceError(f"The records are in the database that ${DATABASE_VARIABLE} names. Copy them with its own tools.")
    source = data or data_folder()
    copied = copy_records(source, target)
    typer.echo(f"Copied {copied.photos} photos and their records from {source} to {target}.")
