"""What commands that write a file ask of its name, before anything is worked out for it."""

from __future__ import annotations

from pathlib import Path

import typer


def check_folder(path: Path) -> None:
    """Raises typer.BadParameter unless ``--out`` is a file's name in a folder that is there."""
    if path.is_dir() or not path.absolute().parent.is_dir():
        raise typer.BadParameter(f"--out: expected a file in a folder that is there, got {path}")


def check_written(path: Path, *beside: Path, overwrite: bool) -> None:
    """The same, and unless it, and what is written ``beside`` it, is new or may be replaced."""
    check_folder(path)
    for file in (path, *beside):
        if file.exists() and not overwrite:
            raise typer.BadParameter(f"--out: {file} is there already; --overwrite replaces it")


def one_line(name: str) -> str:
    """A name given by ``--name``, in one line. Raises typer.BadParameter."""
    tidy = " ".join(name.split())
    if not tidy:
        raise typer.BadParameter("--name: expected some text, got nothing but space")
    return tidy
