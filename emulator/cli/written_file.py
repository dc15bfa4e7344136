"""What commands that write a file or a folder ask of its name, before anything is worked out for it."""

from __future__ import annotations

import os
from pathlib import Path

import typer


def check_folder(path: Path, option: str = "--out") -> None:
    """Raises typer.BadParameter unless it is a file's name in a folder that is there and takes files."""
    parent = path.absolute().parent
    if path.is_dir() or not parent.is_dir():
        raise typer.BadParameter(f"{option}: expected a file in a folder that is there, got {path}")
    if not os.access(parent, os.W_OK | os.X_OK):
        raise typer.BadParameter(
            f"{option}: expected a folder that may be written to, got {parent} for {path.name}"
        )


def check_written(path: Path, *beside: Path, overwrite: bool) -> None:
    """The same, and unless it, and what is written ``beside`` it, is new or may be replaced."""
    check_folder(path)
    for file in (path, *beside):
        if file.exists() and not overwrite:
            raise typer.BadParameter(f"--out: {file} is there already; --overwrite replaces it")


def check_new_folder(path: Path) -> None:
    """Raises typer.BadParameter unless ``--out`` is a folder, or can become one in a folder that is there."""
    if (path.exists() and not path.is_dir()) or not path.absolute().parent.is_dir():
        raise typer.BadParameter(f"--out: expected a folder, or a new one in one that is there, got {path}")


def check_vacant(path: Path) -> None:
    """Raises typer.BadParameter if ``--out`` holds anything: a record is never written over."""
    if path.is_dir() and any(path.iterdir()):
        raise typer.BadParameter(f"--out: {path} already holds files; name a new folder, or move it away")


def own_name(folder: Path) -> str:
    """The name of a folder that may be given as ``.``, or behind links, also of those that lead nowhere."""
    return os.path.basename(os.path.realpath(folder))


def one_line(name: str) -> str:
    """A name given by ``--name``, in one line. Raises typer.BadParameter."""
    tidy = " ".join(name.split())
    if not tidy:
        raise typer.BadParameter("--name: expected some text, got nothing but space")
    return tidy
