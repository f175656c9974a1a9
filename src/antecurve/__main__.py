"""The command line as ``python -m antecurve``."""

from antecurve.cli.main import run

__all__: list[str] = []

if __name__ == "__main__":
    run()
