"""The order of realisations with a real op amp: criteria, their order, why, and Pareto."""

from __future__ import annotations

import itertools
import json
import math
import random

import numpy as np
import pytest

from synth.api_amplifier import ranking
from synth.api_realise import target_for
from synth.checking.checked import check
from synth.checking.conditions import Conditions
from synth.checking.model import op_amp_model
from synth.cli.main import run
from synth.errors import RealisationError
from synth.realisation.ranking import (
    REAL,
    Scores,
    deciding,
    doublings,
    order_key,
    pareto,
    parse_order,
)
from synth.target.target import measured_error
from tests import networks as oracle

MODEL = op_amp_model("gbw=300k,p2=inf,rout=0,slew=0.5 V/us")


@pytest.fixture(scope="module")
def ranked():
    return ranking(target_for("lowpass", 1000.0, order=2), MODEL)


def some_scores(count: int, seed: int) -> list[Scores]:
    draw = random.Random(seed)
    return [
        Scores(
            draw.choice([0.3, 0.9, 3.0]),
            draw.randint(1, 3),
            draw.randint(4, 8),
            draw.choice([1.0, 3.0, 9.0]),
            draw.randint(0, 1),
            draw.choice([0.5, 1.0, 4.0]),
            draw.choice([1e-5, 2e-5]),
        )
        for _ in range(count)
    ]


def test_the_order_named_comes_first_and_the_rest_follow() -> None:
    assert parse_order(None) == REAL
    order = parse_order("noise, spread")
    assert order[:2] == ("noise", "spread")
    assert sorted(order) == sorted(REAL)
    rest = [c for c in REAL if c not in ("noise", "spread")]
    assert list(order[2:]) == rest


@pytest.mark.parametrize(
    ("text", "word"),
    [
        ("nois", "did you mean noise"),
        ("colour", "no criterion"),
        ("noise,noise", "twice"),
        ("", "no criterion"),
    ],
)
def test_wrong_orders(text: str, word: str) -> None:
    with pytest.raises(RealisationError, match=word):
        parse_order(text)


def test_doublings() -> None:
    assert [doublings(x) for x in (0.1, 1.0, 1.1, 2.0, 2.1, 16.0)] == [0, 0, 1, 1, 2, 4]


def test_a_first_criterion_decides_whatever_the_others_are() -> None:
    rows = some_scores(40, 1)
    for order in (parse_order(None), parse_order("noise"), parse_order("spread,parts")):
        done = sorted(rows, key=lambda s: order_key(s, order))
        for a, b in itertools.pairwise(done):
            criterion = deciding(a, b, order)
            if criterion is not None:
                assert a.grade(criterion) < b.grade(criterion)
                before = order[: order.index(criterion)]
                assert all(a.grade(c) == b.grade(c) for c in before)
            else:
                assert a.error <= b.error


def test_unknown_figures_come_last() -> None:
    known, unknown = Scores(0.5, 1, 4, 2.0, 0, 9.0, 1.0), Scores(0.5, 1, 4, 2.0)
    assert order_key(known, ["noise"]) < order_key(unknown, ["noise"])


def test_pareto_by_trying_every_pair() -> None:
    rows = some_scores(30, 2)
    criteria = ("amplifiers", "sensitivity", "noise")
    kept = set(pareto(rows, criteria))
    for k, mine in enumerate(rows):
        beaten = any(
            all(other.grade(c) <= mine.grade(c) for c in criteria)
            and any(other.grade(c) < mine.grade(c) for c in criteria)
            for other in rows
        )
        assert (k in kept) == (not beaten)


# -- with circuits ---------------------------------------------------------------------------------


def test_rows_are_in_order_and_have_their_check(ranked) -> None:
    assert [row.number for row in ranked.rows] == list(range(1, len(ranked.rows) + 1))
    keys = [order_key(row.scores, ranked.order) for row in ranked.rows]
    assert keys == sorted(keys)
    first = ranked.rows[0]
    assert first.checked is not None
    assert first.scores.findings == 0
    again = check(first.realisation.network, MODEL)
    assert first.scores.noise == pytest.approx(again.facts.small.noise.vrms)


def test_the_error_is_that_of_the_real_circuit(ranked) -> None:
    """By nodal analysis of our own with one pole in every op amp."""
    target = ranked.target
    w = target.grid[::7]
    for row in ranked.rows[:3]:
        network = row.realisation.network
        amplifiers = {
            u.name: oracle.Amplifier(2 * math.pi * MODEL.gain_bandwidth, MODEL.dc_gain)
            for u in network.op_amps
        }
        got = np.array([oracle.transfer(network, 1j * x, amplifiers) for x in w])
        there = measured_error(target, w, got).misses
        assert there <= row.scores.error * 1.0001
        assert there > 0.3 * row.scores.error


def test_explanations_name_the_first_difference(ranked) -> None:
    sentences = ranked.explain(len(ranked.rows))
    assert len(sentences) == len(ranked.rows) - 1
    for (a, b), sentence in zip(itertools.pairwise(ranked.rows), sentences, strict=True):
        assert sentence.startswith(f"{a.number} is before {b.number}: ")
        criterion = deciding(a.scores, b.scores, ranked.order)
        assert (criterion or "exact error") in sentence


def test_pareto_holds_the_first_and_the_best_of_each(ranked) -> None:
    best = ranked.pareto()
    assert ranked.rows[0] in best
    for criterion in ("amplifiers", "noise"):
        (least, *_) = sorted(ranked.rows, key=lambda r: r.scores.grade(criterion))
        assert ranked.pareto([criterion])[0].scores.grade(criterion) == least.scores.grade(
            criterion
        )


def test_another_order_gives_another_first() -> None:
    target = target_for("bandstop", 50.0, q=5.0)
    few = ranking(target, MODEL)
    quiet = ranking(target, MODEL, rank="noise")
    noise = [row.scores.noise for row in quiet.rows if row.scores.noise is not None]
    assert quiet.rows[0].scores.grade("noise") == min(
        row.scores.grade("noise") for row in quiet.rows
    )
    assert min(noise) <= (few.rows[0].scores.noise or 0) * 1.001
    assert len(few.rows) == len(quiet.rows)


def test_a_band_bounds_where_the_error_counts() -> None:
    """A slow op amp spoils a high-pass far above its corner, and not in a band below."""
    target = target_for("highpass", 1000.0, order=1)
    wide = ranking(target, MODEL)
    narrow = ranking(target, MODEL, band_hz=(100.0, 5e3))
    assert wide.rows[0].scores.error > narrow.rows[0].scores.error
    with pytest.raises(RealisationError, match="band"):
        ranking(target, MODEL, band_hz=(1e9, 2e9))


def test_the_command_line_explains_and_lists(capsys) -> None:
    arguments = ["realise", "lowpass", "--at", "1kHz", "--order", "1", "--op-amp", "jfet-10mhz"]
    assert run([*arguments, "--rank", "noise", "--explain-rank", "--top", "2"]) == 0
    text = capsys.readouterr().out
    assert "ranked by: noise, error" in text
    assert "1 is before 2: " in text
    assert max(map(len, text.splitlines())) <= 80
    assert run([*arguments, "--json", "--top", "2"]) == 0
    answer = json.loads(capsys.readouterr().out)
    assert len(answer["realisations"]) <= 2
    rows = answer["ranking"]["circuits"]
    assert [r["number"] for r in rows] == list(range(1, len(rows) + 1))
    assert set(answer["ranking"]["pareto"]) <= {r["number"] for r in rows}
    assert answer["ranking"]["order"] == list(REAL)


@pytest.mark.parametrize(
    ("options", "word"),
    [
        (["--rank", "findings"], "--op-amp"),
        (["--load", "1k"], "--op-amp"),
        (["--op-amp", "no-such-model"], "no-such-model"),
        (["--op-amp", "jfet-10mhz", "--rank", "beauty"], "beauty"),
        (["--op-amp", "jfet-10mhz", "--band", "1k:10"], "upside down"),
    ],
)
def test_wrong_options(options, word, capsys) -> None:
    assert run(["realise", "lowpass", "--at", "1kHz", *options]) == 2
    error = capsys.readouterr().err
    assert word in error
    assert error.count("\n") == 1


def test_the_full_check_looks_at_conditions() -> None:
    target = target_for("lowpass", 1000.0, order=1)
    loud = ranking(target, MODEL, level=50.0)
    assert all(
        any(f.code == "level" for f in row.checked.serious)
        for row in loud.rows
        if row.checked and row.realisation.network.op_amps
    )
    assert Conditions().level is None
