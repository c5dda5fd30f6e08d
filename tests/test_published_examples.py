"""Worked examples from books and notes: our analysis of their values, our values for their targets.

Source of every entry: the field `source` of tests/published/published_examples.json; `recomputed`
there was found by two programs that are not ours.
"""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

import pytest

from synth.analysis.loop import analyse
from synth.analysis.numbers import transfer
from synth.catalog import stages
from synth.network.equivalence import equivalent
from synth.network.model import Network
from synth.search.candidates import SectionTarget, derivations
from synth.target.families import prototype
from synth.transfer.section import section_figures
from synth.transfer.transfer import Transfer
from synth.values.section import SectionFit, fit
from synth.values.series import Shelf
from tests.test_published_stages import ENTRIES as STAGES
from tests.test_published_stages import network_of

FOLDER = Path(__file__).parent / "published"
EXAMPLES = json.loads((FOLDER / "published_examples.json").read_text(encoding="utf-8"))
NETWORKS = {entry["name"]: network_of(entry) for entry in STAGES}
WITH_VALUES = [e for e in EXAMPLES if "values" in e and e.get("stage") in NETWORKS]


def h_of(network: Network, values: dict[str, float]) -> Transfer:
    loop = analyse(network.with_values({b.name: values[b.name] for b in network.branches}))
    return transfer(loop, loop.transfer())


def test_every_example_with_values_is_checked() -> None:
    """The ones left out have no values; list them, so that a new one is noticed."""
    left = {e["id"] for e in EXAMPLES} - {e["id"] for e in WITH_VALUES}
    assert left == {"RC-ladder", "VV-elliptic n=3 Ws=1.5"}


@pytest.mark.parametrize("example", WITH_VALUES, ids=lambda e: e["id"])
def test_the_analysis_of_the_printed_values(example: dict[str, Any]) -> None:
    h = h_of(NETWORKS[example["stage"]], example["values"])
    wanted = example["recomputed"]
    found = [_pole(s) for s in h.sections]
    for pole in wanted["poles"]:
        key = "f0_Hz" if "f0_Hz" in pole else "real_pole_Hz"
        best = min(found, key=lambda p: abs(p.get(key, 1e99) - pole[key]))
        assert best[key] == pytest.approx(pole[key], rel=1e-9)
        if "Q" in pole:
            assert best["Q"] == pytest.approx(pole["Q"], rel=1e-9)
    if "dc_gain" in wanted:
        assert h(0j).real == pytest.approx(wanted["dc_gain"], rel=1e-9, abs=1e-9)
    if "gain_at_f0" in wanted:
        f0 = next(p["f0_Hz"] for p in wanted["poles"] if "f0_Hz" in p)
        at_f0 = abs(h(2j * math.pi * f0))
        assert at_f0 == pytest.approx(wanted["gain_at_f0"], rel=1e-6, abs=1e-9)


def _pole(section) -> dict[str, float]:
    w0, q = section_figures(section)
    if section.order == 2 and q is not None:
        return {"f0_Hz": w0 / 2 / math.pi, "Q": q}
    return {"real_pole_Hz": w0 / 2 / math.pi}


def _asked(example: dict[str, Any]) -> tuple[float, float, float] | None:
    """f0, Q and gain of a second-order example whose target says them; the gain that of N."""
    t = example["target"]
    if "f0_Hz" in t and "Q" in t and t["type"] in ("LP2", "BP2"):
        gain = t.get("K", abs(t.get("gain", 1.0)))
        return t["f0_Hz"], t["Q"], gain
    if t.get("type") == "Butterworth LP2":
        return t["fc_Hz"], 1 / math.sqrt(2), 1.0
    if "stage f0" in t:
        return t["stage f0"], t["stage Q"], abs(t["stage gain"])
    return None


ASKED = [e for e in WITH_VALUES if _asked(e) is not None]


@pytest.mark.parametrize("example", ASKED, ids=lambda e: e["id"])
def test_our_values_are_no_worse_than_the_printed_ones(example: dict[str, Any]) -> None:
    """Same stage, same target, resistors of E96 and capacitors of E24: the printed parts are of
    these series or finer, so the printed choice is one we could have made."""
    f0, q, gain = _asked(example)
    network = NETWORKS[example["stage"]]
    w0 = 2 * math.pi * f0
    printed = h_of(network, example["values"])
    bandpass = len(printed.zeros) == 1
    sign = math.copysign(1.0, printed(2j * math.pi * f0 if bandpass else 0j).real)
    n = (0.0, sign * gain / q, 0.0) if bandpass else (sign * gain, 0.0, 0.0)
    target = SectionTarget(n, (1.0, 1 / q, 1.0), w0)
    stage = next(s for s in stages() if equivalent(s.network, network) is not None)
    shelves = {"R": Shelf("E96", 10.0, 10e6), "C": Shelf("E24", 100e-12, 1e-6)}
    ours = fit(derivations(stage)[0], target, shelves)
    assert isinstance(ours, SectionFit)
    mine = stage.network.with_values(ours.choice.values)
    loop = analyse(mine)
    assert _worst(transfer(loop, loop.transfer()), target) <= max(_worst(printed, target), 2e-3)


def _worst(h: Transfer, target: SectionTarget) -> float:
    """Largest relative error of a coefficient, over D's leading one; that of w0**2 counts Q times,
    since beside the peak |H| changes by Q times the shift of the pole frequency.
    """
    q = max(1.0, 1 / target.denominator[1])
    w0 = target.w0
    d = [c / h.denominator[0] for c in h.denominator]
    n = [0.0] * (3 - len(h.numerator)) + [c / h.denominator[0] for c in h.numerator]
    got = [d[1] / w0, d[2] / w0**2, n[1] / w0, n[2] / w0**2]
    wanted = [target.denominator[1], 1.0, target.numerator[1], target.numerator[0]]
    weights = [1.0, q, 1.0, 1.0]
    return max(x * abs(g / w - 1) for g, w, x in zip(got, wanted, weights, strict=True) if w)


def test_the_elliptic_example_of_van_valkenburg() -> None:
    """M. E. Van Valkenburg, Analog Filter Design (1982), 0.5 dB ripple, Ws = 1.5 (from memory)."""
    example = next(e for e in EXAMPLES if e["id"].startswith("VV-elliptic"))
    published = example["published"]
    found = prototype(
        "elliptic", 3, ripple_db=0.5, stop_attenuation_db=_attenuation(1.5), edge=None
    )
    zeros = [abs(z) ** 2 for z in found.zeros]
    assert max(zeros) == pytest.approx(published["zeros"], rel=2e-4)
    real = min(abs(p.real) for p in found.poles if abs(p.imag) < 1e-9)
    assert real == pytest.approx(published["real"], rel=2e-4)


def _attenuation(ws: float) -> float:
    """Stop-band attenuation of order 3, 0.5 dB, stop edge `ws`: 21.9 dB in the table, to more
    digits from the degree equation with scipy's elliptic integrals."""
    from scipy.special import ellipk, ellipkm1

    k2 = 1 / ws**2
    ratio = 3 * ellipkm1(k2) / ellipk(k2)
    low, high = 1e-12, 0.5
    for _ in range(200):
        mid = math.sqrt(low * high)
        if ellipkm1(mid) / ellipk(mid) > ratio:
            low = mid
        else:
            high = mid
    eps2 = 10**0.05 - 1
    return 10 * math.log10(1 + eps2 / low)


def test_the_unit_delay_trap() -> None:
    """A "1 kHz" Bessel that means unit delay: the pole pair sits at sqrt(3) kHz (Pactitis,
    Active Filters, CRC 2008, p. 41)."""
    example = next(e for e in EXAMPLES if e["id"] == "Pactitis-2.14")
    unit_delay = prototype("bessel", 2, edge="delay")
    f0 = abs(unit_delay.poles[0])
    assert f0 == pytest.approx(math.sqrt(3))
    assert example["recomputed"]["poles"][0]["f0_Hz"] == pytest.approx(1000 * f0, rel=0.005)
