"""Stated uncertainties hold: a seeded slice of `python -m tests.studies.coverage`, which runs 4,000 records.

The bounds are those of the whole study, loosened by what 150 records scatter (three standard deviations of a
binomial). The seeds are fixed, so a test that passes here passes everywhere with the same library versions.
"""

import math

import pytest

from tests.studies.coverage import FAMILIES, POPULATIONS, Family, Held, Population, held, needed

RECORDS = 150
LEAST_COVERAGE = 0.93
MOST_RATIO = 1.3  # of the median expanded uncertainty to the half-width that holds 95 % of the errors
SCATTER = 3.0 * math.sqrt(0.05 * 0.95 / RECORDS)


@pytest.fixture(scope="module", params=POPULATIONS, ids=lambda population: population.name)
def rows(request: pytest.FixtureRequest) -> list[Held]:
    population: Population = request.param
    return held(population, RECORDS)


def test_true_figures_lie_within_the_expanded_uncertainty(rows: list[Held]) -> None:
    assert rows
    for row in rows:
        assert row.coverage >= LEAST_COVERAGE - SCATTER, row


def test_no_more_uncertainty_is_stated_than_is_needed(rows: list[Held]) -> None:
    """One population alone: in "varied" the records that need most are not the median one."""
    for row in rows:
        if row.population != "varied" and row.ratio is not None:
            assert row.ratio <= MOST_RATIO, row


@pytest.mark.parametrize("family", FAMILIES, ids=lambda family: family.contribution)
def test_a_contribution_is_needed_where_it_is_nearly_everything(family: Family) -> None:
    found = needed(family, 60)

    assert found.share >= 0.8
    assert found.coverage >= LEAST_COVERAGE - 3.0 * math.sqrt(0.05 * 0.95 / 60)
    assert found.coverage_without < 0.85


def test_every_contribution_that_can_matter_has_its_family() -> None:
    assert {family.contribution for family in FAMILIES} == {
        "sampling",
        "quantisation",
        "noise",
        "timebase",
        "gain",
        "baseline drift",  # an offset is removed; what of it moves is not
    }
