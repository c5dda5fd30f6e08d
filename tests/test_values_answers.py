"""What an answer says besides the values: zeros, the stock over stages, notes, progress."""

from __future__ import annotations

import itertools
import json
import math
from importlib.resources import files

import jsonschema
import numpy as np
import pytest

import synth
from synth.analysis.loop import analyse
from synth.analysis.numbers import transfer
from synth.catalog import stage
from synth.cli.main import run
from synth.network.deck_reader import read_deck
from synth.tolerances.limits import Limit
from synth.transform.cascade import cascade
from synth.values.incumbent import improved
from synth.values.joint import choose_joint
from synth.values.metrics import section_metric
from synth.values.problem import Wishes, problem_of
from synth.values.series import Shelf, preferred_values
from synth.values.stock import read_stock

SCHEMA = json.loads(files("synth").joinpath("schema.json").read_text(encoding="utf-8"))
SALLEN_KEY = "sallen-key-lowpass-unity"


def answered(capsys, *arguments):
    assert run(["values", *arguments, "--json"]) == 0
    answer = json.loads(capsys.readouterr().out)
    jsonschema.Draft202012Validator(SCHEMA).validate(answer)
    return answer


@pytest.mark.parametrize(
    "name", ["twin-t-notch-follower", "fliege-notch", "state-variable-notch", "bainter-notch"]
)
def test_the_notch_is_as_deep_as_the_answer_says(name, capsys):
    """|H| of the chosen circuit at the two frequencies, by its own exact analysis."""
    found = synth.choose_values(stage(name).circuit(), work=2e6)
    (zeros,) = found.zeros
    assert zeros.kind == "notch"
    loop = analyse(found.network)
    h = transfer(loop, loop.transfer())
    largest = np.abs(h(2j * np.pi * zeros.wanted_hz * np.geomspace(1e-3, 1e3, 601))).max()
    for f, depth in (
        (zeros.wanted_hz, zeros.wanted_depth_db),
        (zeros.zero_hz, zeros.depth_db),
    ):
        got = abs(h(2j * np.pi * f)) / largest
        if depth is None:
            assert got < 1e-8
        else:
            assert 20 * math.log10(got) == pytest.approx(depth, abs=0.2)
    pairs = [abs(z) for z in h.zeros if z.imag > 0]
    assert min(abs(zeros.zero_hz * 2 * math.pi / z - 1) for z in pairs) < 1e-6
    if zeros.pole_hz is not None:
        pole = math.sqrt(abs(np.prod(h.poles))) / (2 * math.pi)
        assert zeros.pole_hz == pytest.approx(pole, rel=1e-6)
    assert run(["values", name, "--work", "2e6"]) == 0
    assert "depth of |H|" in " ".join(capsys.readouterr().out.split())


def test_the_mismatch_of_an_allpass(capsys):
    answer = answered(capsys, "fliege-allpass", "--keep", "R4=10k,R5=10.2k", "--floor", "0")
    (zeros,) = answer["zeros"]
    assert zeros["kind"] == "allpass"
    assert zeros["wanted_depth_db"] is None
    values = {p["name"]: p["value"] for p in answer["parts"]}
    loop = analyse(stage("fliege-allpass").circuit().with_values(values))
    h = transfer(loop, loop.transfer())
    sizes = [math.sqrt(abs(np.prod(x))) for x in (h.zeros, h.poles)]
    assert zeros["mismatch"] == pytest.approx(sizes[0] / sizes[1] - 1, abs=1e-9)
    damping = [abs(sum(x)) / w for x, w in zip((h.zeros, h.poles), sizes, strict=True)]
    assert zeros["q_mismatch"] == pytest.approx(damping[1] / damping[0] - 1, rel=1e-6)
    assert answered(capsys, SALLEN_KEY)["zeros"] == []


def test_a_notch_of_third_order_counts_in_the_error():
    found = synth.choose_values(stage("twin-t-notch-follower").circuit(), floor=0.0, work=1e6)
    (zeros,) = found.zeros
    assert 10 ** (zeros.wanted_depth_db / 20) <= found.error * (1 + 1e-9)
    assert "depth of the notch" in found.metric


def test_combinations_that_are_not_allowed_are_passed_over():
    generator = np.random.default_rng(3)
    tables = [generator.normal(size=(n, 9)) for n in (6, 7, 5)]

    def allowed(picks: tuple[int, ...]) -> bool:
        return sum(picks) % 3 == 1

    found = choose_joint(tables, allowed=allowed)
    errors = {
        p: np.abs(sum(t[k] for t, k in zip(tables, p, strict=True))).max()
        for p in itertools.product(*(range(len(t)) for t in tables))
        if allowed(p)
    }
    assert found.proved
    assert found.error == pytest.approx(min(errors.values()))
    assert errors[found.picks] == pytest.approx(found.error)
    with pytest.raises(synth.SynthError, match="stock"):
        choose_joint(tables, allowed=lambda _: False)


def test_the_stock_is_shared_over_the_stages_at_its_best():
    """Two equal stages and one piece of each value: every way to share them out is tried."""
    rows = [f"R,{v}k,1" for v in (8.2, 10, 12, 15)] + [f"C,{v}n,1" for v in (6.8, 10, 15, 22)]
    stock = read_stock("kind,value,count\n" + "\n".join(rows), "drawer")
    network = cascade([stage(SALLEN_KEY).circuit()] * 2).network
    found = synth.choose_values(network, stock=stock, floor=0.0)
    assert found.proved
    target = transfer(analyse(network), analyse(network).transfer())
    w = np.geomspace(1e2, 1e6, 400)
    wanted = np.abs(target(1j * w))
    w = w[wanted >= wanted.max() / 100]
    r = sorted(v for n, v in stock_values(stock, "R"))
    c = sorted(v for n, v in stock_values(stock, "C"))
    names = [b.name for b in network.branches]
    loop = analyse(network)

    def error(values: dict[str, float]) -> float:
        own = network.with_values(values)
        h = transfer(analyse(own), loop.transfer())
        return float(np.abs(20 * np.log10(np.abs(h(1j * w)) / np.abs(target(1j * w)))).max())

    best = error(found.values)
    generator = np.random.default_rng(0)
    resistors, capacitors = [n for n in names if n[0] == "R"], [n for n in names if n[0] == "C"]
    for _ in range(150):
        values = dict(zip(resistors, generator.permutation(r), strict=True))
        values |= dict(zip(capacitors, generator.permutation(c), strict=True))
        assert error({n: float(v) for n, v in values.items()}) >= best - 0.02
    assert sorted(found.values.values()) == sorted([*r, *c])


def stock_values(stock, letter):
    return [(letter, i.value) for i in stock.items if i.letter == letter]


def test_a_violation_between_the_points_of_a_mask_is_told():
    """A stop band that begins where a high-Q peak just ends, looked at on a dense grid too."""
    network = stage("tow-thomas-bandpass").circuit()
    found = synth.choose_values(network, mask=[Limit(10, 1e5, "within", 0.05)], floor=0.0)
    loop = analyse(found.network)
    h = transfer(loop, loop.transfer())
    own = transfer(analyse(network), analyse(network).transfer())
    w = 2 * np.pi * np.geomspace(10, 1e5, 50_000)
    away = np.abs(20 * np.log10(np.abs(h(1j * w)) / np.abs(own(1j * w)))).max() - 0.05
    assert found.error >= max(0.0, away) - 2e-3


def test_values_that_are_exact_already_are_said_to_be(capsys):
    notes = answered(capsys, "fliege-allpass")["notes"]
    assert any("own values are all to be had and exact" in n for n in notes)
    notes = answered(capsys, "fliege-allpass", "--floor", "0")["notes"]
    assert not any("own values" in n for n in notes)


def test_more_sensitive_values_are_said_to_be(tmp_path, capsys):
    """Positive feedback of a Delyiannis stage lowers the spread and raises the sensitivity.

    T. Deliyannis, Electronics Letters 4 (1968) 577-579 (from memory).
    """
    path = tmp_path / "geophone.cir"
    path.write_text("""* geophone band-pass
VIN in 0 AC 1
R1 in x 18k
C1 x out 100n
C2 x m 100n
R2 m out 390k
RA p 0 10k
RB out p 470k
XU1 p m out AMP
.end""")
    notes = answered(capsys, str(path))["notes"]
    assert any("more sensitive" in n for n in notes)
    notes = answered(capsys, str(path), "--keep", "RA,RB")["notes"]
    assert not any("more sensitive" in n for n in notes)


@pytest.mark.parametrize("name", ["tow-thomas-lowpass", "sallen-key-bandpass-gain"])
def test_the_local_search_never_makes_it_worse(name):
    one = stage(name)
    from synth.analysis.terms import terms_of
    from synth.realisation.cells import cells_of

    (cell,) = cells_of(one.circuit())
    target = cell.own_target({n: v * 1.07 for n, v in one.circuit().values.items()})
    grids = {"R": Shelf("E12", 1e3, 1e5), "C": Shelf("E6", 1e-9, 1e-7)}
    problem = problem_of(terms_of(analyse(one.network)), target.w0, Wishes(grids))
    metric = section_metric(target)
    generator = np.random.default_rng(0)
    for _ in range(5):
        start = np.array([generator.choice(e.values) for e in problem.elements])
        better = improved(problem, metric, start)
        errors = metric.errors(problem.coefficients(np.array([start, better])))
        assert errors[1] <= errors[0]


@pytest.mark.parametrize(
    ("options", "word"),
    [
        (["--part", "R1=E24", "--part", "R1=E96"], "given twice"),
        (["--resistors", "E24+"], "lacks the name"),
        (["--work", "nan"], "work of nan"),
        (["--seconds", "0"], "a time of 0 seconds"),
    ],
)
def test_wishes_that_are_refused(options, word, capsys):
    assert run(["values", SALLEN_KEY, *options]) == 2
    out = capsys.readouterr()
    assert out.out == ""
    assert word in out.err
    assert len(out.err.splitlines()) == 1


def test_progress_counts_the_work():
    seen = []
    network = synth.scale_frequency(stage("tow-thomas-lowpass").circuit(), 1.3)
    synth.choose_values(network, progress=lambda done, total: seen.append((done, total)))
    assert seen
    assert [d for d, _ in seen] == sorted(d for d, _ in seen)
    assert all(0 <= d <= total for d, total in seen)


def test_what_is_known_is_never_lost_however_much_is_asked():
    """Little work and many choices wanted: nothing worse than nearest rounding comes first."""
    for name in ("sallen-key-lowpass-gain", "sallen-key-lowpass-unity"):
        for work in (1, 100, 3e4):
            found = synth.choose_values(name, work=work, floor=0.0, top=50)
            assert found.error <= found.nearest_rounding_error * (1 + 1e-9)
            listed = [tuple(o.values.values()) for o in found.choices]
            assert len(set(listed)) == len(listed)  # and no choice twice
            assert [o.error for o in found.choices] == sorted(o.error for o in found.choices)


SHELF = """Low shelf of the buoy's microphone
Vin in 0 AC 1
R1 in m 10.3k
R2 m a 10.7k
R3 a out 97k
C1 a out 15.3n
E1 out 0 0 m 1e6
"""


def test_a_shelf_is_measured_at_both_its_gains():
    """-(R2 + R3)/R1 below, -R2/R1 above; the pole is 1/(R3*C1), the zero by R2 and R3 parallel."""
    found = synth.choose_values(read_deck(SHELF).network, floor=0.0, resistors="E12")

    def figures(r1, r2, r3, c1):
        zero = 1 / (c1 * r2 * r3 / (r2 + r3))
        return np.log([(r2 + r3) / r1, r2 / r1, 1 / (r3 * c1), zero])

    own = figures(10.3e3, 10.7e3, 97e3, 15.3e-9)
    v = found.values
    off = np.abs(figures(v["R1"], v["R2"], v["R3"], v["C1"]) - own).max()
    assert found.error == pytest.approx(off, rel=1e-6)


def test_the_error_breaks_ties_of_spread_and_distinct_values():
    """Every choice of a small window, tried one by one."""
    deck = "Buoy\nVin in 0 AC 1\nR1 in out 12.4k\nC1 out 0 33n\n"
    floor = 0.05
    found = synth.choose_values(
        read_deck(deck).network, floor=floor, capacitors="E24", capacitor_window=(1e-9, 100e-9)
    )
    r = preferred_values("E96", 1e3, 1e6)
    c = preferred_values("E24", 1e-9, 100e-9)
    error = np.abs(np.log(np.outer(r, c) / (12.4e3 * 33e-9)))
    near = np.abs(np.log2(r / 1e4)) < 3.5  # within a decade of 10 kohm
    assert found.error == pytest.approx(error[near].min(), abs=1e-9)
