"""One answer whoever does the work: here, a pool of processes, a cluster; and after a stop."""

from __future__ import annotations

from concurrent.futures import ProcessPoolExecutor
from contextlib import contextmanager
from multiprocessing import get_context

import pytest

from synth.cli.main import run
from synth.parallel import collected, ordered
from synth.realisation import realise as module
from synth.realisation.brief import Brief
from synth.realisation.realise import INTERRUPTED, realise
from synth.target.responses import family_target
from synth.tolerances.classes import cheapest_classes
from synth.tolerances.limits import Limit


@contextmanager
def processes():
    with ProcessPoolExecutor(2, get_context("spawn")) as pool:
        yield pool


@contextmanager
def cluster():
    """Dask's executor on a local cluster of processes."""
    distributed = pytest.importorskip(
        "distributed", reason="dask's distributed is not installed (pip install '.[dask]')"
    )
    with (
        distributed.LocalCluster(
            n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None
        ) as local,
        distributed.Client(local) as client,
    ):
        yield client.get_executor()


def facts(found):
    return [
        (
            r.label,
            tuple((b.name, b.value) for b in r.network.branches),
            r.error_db,
            r.levels,
            r.yield_,
            tuple(s.certificate for s in r.stages),
        )
        for r in found
    ]


@pytest.mark.filterwarnings("default")  # the cluster's own libraries warn of each other
@pytest.mark.parametrize("given", [processes, cluster])
def test_the_answer_does_not_depend_on_who_works(given) -> None:
    target = family_target("lowpass", "chebyshev", 2, 1000.0)
    mask = (Limit(10.0, 900.0, "within", 0.5),)
    here = realise(Brief(target, mask=mask, seed=3), top=2)
    with given() as executor:
        there = realise(Brief(target, mask=mask, seed=3, executor=executor), top=2)
        classes = cheapest_classes(
            here[0].network, mask, 0.9, reference=target.transfer, executor=executor
        )
    assert facts(here) == facts(there)
    assert len(here) == 2
    assert all(r.yield_ is not None and r.yield_.drawn == 4000 for r in here)
    assert classes == cheapest_classes(here[0].network, mask, 0.9, reference=target.transfer)


def test_results_come_in_the_order_of_the_tasks() -> None:
    with processes() as pool:
        assert list(ordered(abs, [-3, 1, -2], pool)) == [3, 1, 2]


def test_what_was_done_before_a_stop_is_kept() -> None:
    def work(k: int) -> int:
        if k == 2:
            raise KeyboardInterrupt
        return k * k

    assert collected(work, [0, 1, 2, 3], None) == ([0, 1], False)
    assert collected(work, [0, 1], None) == ([0, 1], True)
    with pytest.raises(KeyboardInterrupt):
        collected(work, [2], None)


def test_circuits_found_before_a_stop_are_offered_with_a_note(monkeypatch) -> None:
    """The third choice of values is interrupted; circuits are there and said unfinished."""
    target = family_target("lowpass", "butterworth", 4, 1000.0)
    true, count = module._chosen, 0

    def stopped(*arguments):
        nonlocal count
        count += 1
        if count == 3:
            raise KeyboardInterrupt
        return true(*arguments)

    monkeypatch.setattr(module, "_chosen", stopped)
    found = realise(Brief(target), top=3)
    assert len(found) == 3
    assert all(INTERRUPTED in r.notes for r in found)
    assert all(r.meets for r in found)


def test_circuits_assembled_before_a_stop_are_offered(monkeypatch) -> None:
    target = family_target("lowpass", "butterworth", 2, 1000.0)
    true, count = module.assembled, 0

    def stopped(*arguments):
        nonlocal count
        count += 1
        if count == 2:
            raise KeyboardInterrupt
        return true(*arguments)

    monkeypatch.setattr(module, "assembled", stopped)
    (found,) = realise(Brief(target), top=3)
    assert INTERRUPTED in found.notes


def test_a_stop_before_any_circuit_is_a_stop(monkeypatch) -> None:
    def stopped(*arguments):
        raise KeyboardInterrupt

    monkeypatch.setattr(module, "assembled", stopped)
    with pytest.raises(KeyboardInterrupt):
        realise(Brief(family_target("lowpass", "butterworth", 2, 1000.0)), top=3)


def test_the_command_shows_what_is_there_and_ends_as_interrupted(monkeypatch, capsys) -> None:
    def stopped(*arguments):
        raise KeyboardInterrupt

    monkeypatch.setattr(module, "_chosen", stopped)
    assert run(["realise", "lowpass", "--order", "3", "--at", "1kHz", "--top", "1"]) == 130
    text = capsys.readouterr().out
    assert "interrupted" in text
    assert "third-order-lowpass-unity" in text
