"""The commands of `benchward`."""

from orchestrator.cli.main import main

__all__ = ["main"]
