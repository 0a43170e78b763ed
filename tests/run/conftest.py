"""Both worlds for the engine's tests."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.run.worlds import RealBench, VirtualBench, real_bench


@pytest.fixture(scope="package")
def shared_real_bench(tmp_path_factory: pytest.TempPathFactory) -> Iterator[RealBench]:
    """One set of processes for all tests of this folder that leave them as they were. It polls: it ends with them."""
    with real_bench(tmp_path_factory.mktemp("real")) as bench:
        yield bench


@pytest.fixture(params=["virtual", pytest.param("real", marks=pytest.mark.real)])
def bench(request: pytest.FixtureRequest, tmp_path: Path) -> VirtualBench | RealBench:
    """The same test in either world."""
    if request.param == "virtual":
        return VirtualBench()
    real: RealBench = request.getfixturevalue("shared_real_bench")
    return real
