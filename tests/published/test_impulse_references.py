"""The references that ship with the product against an oracle by another route (impulse_oracle.py).

Source: mathematics of the closed forms; where their constants come from stands in each entry.
"""

import json
from importlib.resources import files

import numpy as np
import pytest

from orchestrator.analysis.reference_waveforms import FORMS, reference_waveforms
from tests.published import impulse_oracle

SHIPPED = json.loads(
    files("orchestrator.analysis").joinpath("reference_waveforms.json").read_text(encoding="utf-8")
)["waveforms"]


@pytest.mark.parametrize("entry", impulse_oracle.ENTRIES, ids=lambda entry: str(entry["name"]))
def test_shipped_references_are_what_root_finding_and_quadrature_give(entry: dict[str, object]) -> None:
    shipped = next(each for each in SHIPPED if each["name"] == entry["name"])
    expected = impulse_oracle.references(entry)

    assert shipped["references"] == pytest.approx(expected, rel=1e-12, abs=1e-18)
    assert shipped["references"].keys() == expected.keys()


def test_every_shipped_waveform_has_an_oracle() -> None:
    assert [each["name"] for each in SHIPPED] == [each["name"] for each in impulse_oracle.ENTRIES]


@pytest.mark.parametrize("reference", reference_waveforms(), ids=lambda each: each.name)
def test_the_recorded_form_is_the_oracles_form(reference: object) -> None:
    entry = next(each for each in SHIPPED if each["name"] == reference.name)  # type: ignore[attr-defined]
    exact = impulse_oracle.FORMS[entry["form"]](entry["constants"])
    times_us = np.array([0.0, 0.1, 1.0, 7.3, 40.0])

    recorded = FORMS[entry["form"]](times_us, entry["constants"])

    assert recorded == pytest.approx(
        [float(exact(impulse_oracle.mp.mpf(t))) for t in times_us], rel=1e-12, abs=1e-15
    )


def test_the_two_integrals_of_8_20_have_closed_forms() -> None:
    """6 A tau^4 and 45 A^2 tau^7 / 8, by hand, against the quadrature."""
    a, tau = 0.01243, 3.911
    shipped = next(each for each in SHIPPED if each["name"] == "8/20 through 2 ohm")["references"]

    assert shipped["charge"] == pytest.approx(6.0 * a * tau**4 * 1e-6, rel=1e-12)
    assert shipped["energy"] == pytest.approx(2.0 * 45.0 / 8.0 * a**2 * tau**7 * 1e-6, rel=1e-12)
