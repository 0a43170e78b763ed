"""`benchward schema`: a JSON Schema of sequences or bench files, for completion and hover text in an editor."""

from __future__ import annotations

import argparse
import json


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the `schema` command; nothing heavy is imported."""
    parser = subparsers.add_parser(
        "schema",
        help="print the JSON Schema of sequences or bench files",
        description="Print a JSON Schema. An editor that reads it completes keys, shows what each means, and marks "
        "a value without its unit. `benchward check` finds much more.",
    )
    parser.add_argument("kind", choices=("sequence", "bench"), help="which kind of file")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Print the schema."""
    from orchestrator.steps import KINDS
    from sequences.schema import bench_schema, sequence_schema

    schema = sequence_schema(KINDS) if args.kind == "sequence" else bench_schema()
    print(json.dumps(schema, indent=2, ensure_ascii=False))
    return 0
