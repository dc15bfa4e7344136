"""Entry point of ``emulator`` and ``python -m emulator``: hands over to the command line."""

from __future__ import annotations


def main() -> None:
    """Run the command line; it ends the process with its exit status."""
    from emulator.cli.app import app

    app()


if __name__ == "__main__":
    main()
