"""Every picture shows its network, and nothing in it overlaps.

The circuit is read back from the drawn geometry (`synth.drawing.recover`, which knows nothing of
placement and routing) and compared with the network pin by pin; the reader itself is tried on
drawings with faults made on purpose.  Measures are taken from the geometry alone.
"""

from __future__ import annotations

import statistics
from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from synth.catalog import stage, stages
from synth.drawing import draw, placement_for
from synth.drawing.carry import carried
from synth.drawing.measure import Measures, measure
from synth.drawing.model import Box, Drawing, Label, Point, Wire
from synth.drawing.picture import symbols_of
from synth.drawing.recognise import known_placement
from synth.drawing.recover import differences
from synth.drawing.rows import LONGEST
from synth.drawing.scene import scene_of
from synth.errors import NetworkError
from synth.ladder.prototype import lowpass_ladder
from synth.ladder.simulation import (
    inductors,
    leapfrog,
    leapfrog_resonators,
    negative_resistance,
)
from synth.network.deck_reader import read_deck
from synth.network.model import Branch, Network, OpAmp, Port
from synth.report.netlist import deck_text
from synth.target import prototype
from synth.transform.cascade import cascade
from synth.transform.drive import Swap
from synth.transform.impedance import ImpedanceSwap
from synth.transform.lift import LiftTerminals
from synth.transform.loop_complement import LoopComplement
from tests.networks import random_networks

every_stage = pytest.mark.parametrize("one", stages(), ids=lambda s: s.name)


def checked(network: Network, drawing: Drawing) -> Measures:
    """The picture shows the network, and nothing in it overlaps."""
    assert differences(drawing, network) == []
    found = measure(drawing)
    assert found.symbol_overlaps == found.label_overlaps == found.wire_over_symbol == 0
    assert found.crossings == len(drawing.crossings)
    return found


def places(drawing: Drawing) -> dict[str, tuple[Point, ...]]:
    return {s.name: tuple(p.at for p in s.pins) for s in drawing.symbols}


# -- every stage and what is made from it ----------------------------------------------------------


@every_stage
def test_a_stage_is_drawn_as_it_is(one) -> None:
    network = one.circuit()
    found = checked(network, draw(network, placement=one.placement))
    assert found.crossings <= 1


@every_stage
def test_positions_of_the_catalogue_are_kept(one) -> None:
    """They need no stretching: the symbols stand where the file says."""
    if one.placement is None:
        pytest.skip("this stage has an automatic layout")
    drawing = draw(one.circuit(), placement=one.placement)
    wanted = {s.name: s.pins for s in symbols_of(scene_of(one.circuit()), one.placement)}
    assert {s.name: s.pins for s in drawing.symbols} == wanted


@every_stage
def test_a_swap_only_exchanges_the_marks(one) -> None:
    network = one.circuit()
    if Swap().accepts(network):
        pytest.skip(Swap().accepts(network))
    before = draw(network, placement=one.placement)
    swapped, step = Swap().apply(network)
    if one.placement is None:
        checked(swapped, draw(swapped))
        return
    after = draw(swapped, placement=carried(one.placement, network, swapped, step))
    checked(swapped, after)
    assert places(after) == places(before)
    opposite = {"source": "ground", "ground": "source"}
    ends = {p.at for s in before.symbols for p in s.pins if s.kind == "output"}  # these read on
    assert {(m.at, m.kind if m.at in ends else opposite[m.kind]) for m in before.marks} == {
        (m.at, m.kind) for m in after.marks
    }


@pytest.mark.parametrize("name", ["multiple-feedback-bandpass", "fliege-bandpass", "twin-t"])
def test_a_swap_keeps_its_picture_without_being_told(name) -> None:
    network = stage(name).circuit()
    before = draw(network)
    after = draw(Swap().apply(network)[0])
    assert places(after) == places(before) == places(draw(network, placement=stage(name).placement))


def test_a_swap_of_any_network_keeps_its_picture() -> None:
    """Also where the layout is automatic, unless a mark no longer fits."""
    kept = total = 0
    for network in random_networks(20, 5):
        if Swap().accepts(network):
            continue
        swapped, step = Swap().apply(network)
        after = draw(swapped, placement=carried(placement_for(network), network, swapped, step))
        checked(swapped, after)
        total += 1
        kept += places(after) == places(draw(network))
    assert kept >= 0.8 * total > 10


def test_rc_cr_changes_the_symbols_in_place() -> None:
    one = stage("multiple-feedback-lowpass-third-order")
    network = one.circuit()
    mirrored, step = ImpedanceSwap().apply(network)
    assert one.placement is not None
    after = draw(mirrored, placement=carried(one.placement, network, mirrored, step))
    checked(mirrored, after)
    kinds = {s.pins: s.kind for s in draw(network, placement=one.placement).symbols}
    other = {"resistor": "capacitor", "capacitor": "resistor"}
    assert {s.pins: s.kind for s in after.symbols} == {p: other.get(k, k) for p, k in kinds.items()}


LIFTS = {
    "a capacitor to ground": ("sallen-key-lowpass-gain", (("C2", "2"), 0.3)),
    "two parts": ("sallen-key-lowpass-gain", (("C2", "2"), 0.3), (("RA", "2"), 0.4)),
    "a series resistor": ("multiple-feedback-lowpass", (("R1", "1"), 0.7)),
    "an op-amp input": ("multiple-feedback-bandpass", (("U1", "plus"), 0.6)),
    "one inside a loop": ("tow-thomas-bandpass", (("U2", "plus"), 0.5), (("U1", "plus"), 1.0)),
    "a part and an input": (
        "multiple-feedback-bandpass",
        (("R3", "2"), 0.3),
        (("U1", "plus"), 0.5),
    ),
}


@pytest.mark.parametrize("name", LIFTS)
def test_a_lift_shows_the_split_branch(name) -> None:
    stage_name, *fractions = LIFTS[name]
    one = stage(stage_name)
    network = one.circuit()
    lifted, step = LiftTerminals(tuple(fractions)).apply(network)
    assert one.placement is not None
    splits = [f for _, f in fractions if f < 1]
    for placement in (carried(one.placement, network, lifted, step), known_placement(lifted)):
        drawing = draw(lifted, placement=placement)
        checked(lifted, drawing)
        assert len(drawing.splits) == len(splits) == len(drawing.caption)
        held = {
            p.at: m.kind
            for s in drawing.symbols
            for p in s.pins
            for m in drawing.marks
            if m.at == p.at
        }
        kinds = {s.name: {held[p.at] for p in s.pins if p.at in held} for s in drawing.symbols}
        for split in drawing.splits:
            assert kinds[split.source_part] == {"source"}
            assert kinds[split.ground_part] == {"ground"}
        for split, fraction in zip(drawing.splits, splits, strict=True):
            assert f"{fraction:g} of the input" in drawing.caption[drawing.splits.index(split)]


@every_stage
def test_a_random_lift_is_drawn_in_the_places_of_its_stage(one) -> None:
    """Three random terminals, split; the symbols only make room, they keep their sides."""
    network = one.circuit()
    rng = np.random.default_rng(sum(map(ord, one.name)))
    some = rng.permutation(len(network.terminals))[:3]
    lift = LiftTerminals(tuple((network.terminals[k].key, 0.3) for k in some))
    if lift.accepts(network):
        pytest.skip(lift.accepts(network))
    lifted, step = lift.apply(network)
    drawing = draw(lifted, placement=carried(one.placement, network, lifted, step))
    assert checked(lifted, drawing).crossings <= 3
    shown = {s.name: s for s in drawing.symbols}
    before = {s.name: s for s in draw(network, placement=one.placement).symbols}
    for u in network.op_amps:
        pins, old = shown[u.name].pins, before[u.name].pins
        assert [p.at.x - pins[0].at.x for p in pins] == [p.at.x - old[0].at.x for p in old]
        assert [p.at.y - pins[0].at.y for p in pins] == [p.at.y - old[0].at.y for p in old]


def test_the_loop_complement_turns_the_op_amp_over() -> None:
    network = stage("sallen-key-lowpass-unity").circuit()
    if LoopComplement(()).accepts(network):
        pytest.skip("not accepted here")
    other, step = LoopComplement(()).apply(network)
    placement = stage("sallen-key-lowpass-unity").placement
    assert placement is not None
    checked(other, draw(other, placement=carried(placement, network, other, step)))


CHAIN = ("sallen-key-lowpass-unity", "tow-thomas-lowpass", "rc-lowpass", "bainter-notch", "twin-t")


def test_a_cascade_stands_side_by_side() -> None:
    edge = -1000.0
    for left, right, _, _ in stage_boxes(("multiple-feedback-lowpass", "rc-lowpass", "twin-t")):
        assert left > edge
        edge = right


@pytest.mark.parametrize("names", [CHAIN, ("sallen-key-highpass-gain",) * 10], ids=len)
def test_a_long_cascade_is_set_in_rows(names) -> None:
    """Read like text: each stage on the right of the one before it, or in the next row."""
    boxes = stage_boxes(names)
    assert max(b[1] for b in boxes) - min(b[0] for b in boxes) <= LONGEST
    start = boxes[0][0]
    rows = [[boxes[0]]]
    for box in boxes[1:]:
        if box[0] > rows[-1][-1][1]:
            rows[-1].append(box)
        else:
            assert box[0] - start <= 2
            rows.append([box])
    assert 1 < len(rows) < len(names)
    for above, below in pairwise(rows):
        assert min(low for _, _, low, _ in above) > max(high for _, _, _, high in below) + 4


def stage_boxes(names: Sequence[str]) -> list[tuple[float, float, float, float]]:
    """Left, right, bottom and top of the pins of each stage of a cascade as it is drawn."""
    chained = cascade([stage(n).circuit() for n in names])
    drawing = draw(chained.network)
    assert checked(chained.network, drawing).crossings <= 2
    pins = places(drawing)
    boxes = []
    for renamed in chained.maps:
        points = [p for n in renamed.values() for p in pins[n]]
        xs, ys = [p.x for p in points], [p.y for p in points]
        boxes.append((min(xs), max(xs), min(ys), max(ys)))
    return boxes


def test_a_renamed_deck_borrows_the_picture() -> None:
    one = stage("tow-thomas-lowpass")
    names = {b.name: f"{b.name[0]}{k}x" for k, b in enumerate(reversed(one.network.branches))}
    names |= {"U1": "UA", "U2": "UB", "U3": "UC"}
    network = one.circuit().renamed(names, {"x": "N1", "y": "N2", "z": "N3", "in": "SENSOR"})
    turned = replace(
        network, branches=tuple(replace(b, nodes=b.nodes[::-1]) for b in network.branches)
    )
    original = places(draw(one.circuit(), placement=one.placement))
    found = draw(turned)
    checked(turned, found)
    renamed = {names.get(n, n): set(pins) for n, pins in original.items()}
    assert {n: set(pins) for n, pins in places(found).items()} == renamed


# -- ladders ---------------------------------------------------------------------------------------


#: Level and capacitance, or capacitance and largest resistor.
SIZES = {inductors: (10e3, 22e-9), negative_resistance: (22e-9, 1e9)}


@pytest.fixture(scope="module", params=["lowpass", "highpass", "elliptic lowpass"])
def ladder(request) -> Network:
    """Order 7 between resistances, as it comes from a deck: nobody says what it is."""
    form = inductors if request.param == "highpass" else negative_resistance
    family = "elliptic" if "elliptic" in request.param else "chebyshev"
    found = lowpass_ladder(
        prototype(
            family, 7, ripple_db=0.5, stop_attenuation_db=50 if family == "elliptic" else None
        ).transfer
    )
    network = form(found, 1.0, *SIZES[form])
    return read_deck(deck_text(network)).network


def test_a_ladder_is_a_line_with_converters_below(ladder) -> None:
    """No crossings, every arm upright, every converter as in the stage of the catalogue."""
    drawing = draw(ladder)
    assert checked(ladder, drawing).crossings == 0
    pins = places(drawing)
    text = stage("fdnr-lowpass").circuit()
    model = places(draw(text, placement=stage("fdnr-lowpass").placement))
    first = ladder.op_amps[:-1:2]
    assert len(first) == 3
    for one in first:
        two = next(u for u in ladder.op_amps if u.minus == one.minus and u is not one)
        for k in range(3):
            assert difference(pins[two.name][k], pins[one.name][0]) == difference(
                model["U2"][k], model["U1"][0]
            )


def difference(a: Point, b: Point) -> tuple[int, int]:
    return a.x - b.x, a.y - b.y


def test_the_line_of_a_long_ladder_goes_on_below(ladder) -> None:
    points = [p for some in places(draw(ladder)).values() for p in some]
    assert max(p.x for p in points) - min(p.x for p in points) <= 1.1 * LONGEST


def test_a_swapped_ladder_keeps_its_picture(ladder) -> None:
    swapped, step = Swap().apply(ladder)
    after = draw(swapped, placement=carried(placement_for(ladder), ladder, swapped, step))
    checked(swapped, after)
    assert places(after) == places(draw(ladder))


@pytest.mark.parametrize("form", [leapfrog, leapfrog_resonators])
def test_the_signal_of_a_leapfrog_goes_to_the_right(form) -> None:
    """The resonators stand in the order of the arms, however their op amps are joined."""
    found = lowpass_ladder(prototype("butterworth", 3).transfer.scaled_frequency(6e3))
    network = leapfrog(found, 1.0, 15e-9) if form is leapfrog else form(found, 1.0, 6e3, 15e-9)
    drawing = draw(network)
    assert checked(network, drawing).crossings <= 4
    pins = places(drawing)
    assert min(drawing.marks, key=lambda m: m.at.x).kind == "source"
    arms = [b.nodes for b in network.branches if b.power == 1]
    columns = [next(pins[u.name][2].x for u in network.op_amps if u.out in n) for n in arms]
    assert columns == sorted(columns)


# -- random networks -------------------------------------------------------------------------------


def test_random_networks() -> None:
    """500 networks of up to three op amps and 16 parts; a picture of a dozen parts with no
    structure to it takes one crossing here and there, hardly ever more than a few."""
    crossings = []
    for k, network in enumerate(random_networks(500, 2025, (0, 1, 0, 1, -1, 2))):
        bare = network if k % 3 else network.with_values({})
        crossings.append(checked(bare, draw(bare)).crossings)
    assert statistics.mean(crossings) < 0.5
    assert sum(c == 0 for c in crossings) > 0.75 * len(crossings)
    assert max(crossings) <= 8


def resistor(name: str, a: str, b: str) -> Branch:
    return Branch(name, 0, (a, b), 1e4)


ODD = {
    "several outputs": replace(
        stage("state-variable-lowpass").circuit(), outputs=(Port("lp", "lp"), Port("hp", "hp"))
    ),
    "several inputs": Network(
        (resistor("R1", "a", "m"), resistor("R2", "b", "m"), resistor("R3", "m", "out")),
        (OpAmp("U1", "0", "m", "out"),),
        inputs=(Port("left", "a"), Port("right", "b")),
    ),
    "supplies and a signal ground": Network(
        (
            resistor("R1", "in", "p"),
            resistor("R2", "p", "VCC"),
            resistor("R3", "p", "0"),
            resistor("R4", "m", "VMID"),
            resistor("R5", "m", "out"),
        ),
        (OpAmp("U1", "p", "m", "out"),),
        reference="VMID",
        supplies=("0", "VCC"),
    ),
    "an output called as a part": Network(
        (resistor("output", "in", "out"), resistor("R2", "out", "0"))
    ),
    "an op amp alone": Network((), (OpAmp("U1", "in", "out", "out"),)),
    "no unique solution": Network(
        (resistor("R1", "in", "a"), resistor("R2", "out", "0")), (OpAmp("U1", "a", "0", "out"),)
    ),
    "long names": Network(
        (resistor("R_of_the_anemometer_on_the_mast", "in", "out"), resistor('R<b>&"2"', "out", "0"))
    ),
}


@pytest.mark.parametrize("name", ODD)
def test_odd_networks(name) -> None:
    checked(ODD[name], draw(ODD[name]))


def test_drawing_is_deterministic() -> None:
    network = next(random_networks(1, 77))
    assert draw(network) == draw(network)


def test_nothing_to_draw() -> None:
    with pytest.raises(NetworkError, match="no parts to draw"):
        draw(Network((), outputs=()))


def test_a_placement_that_cannot_be_wired_gives_way() -> None:
    """Everything in one place: the automatic layout stands in."""
    one = stage("sallen-key-lowpass-unity")
    assert one.placement is not None
    heap = replace(
        one.placement, places={n: p._replace(x=0, y=0) for n, p in one.placement.places.items()}
    )
    checked(one.circuit(), draw(one.circuit(), placement=heap))


# -- the reader of pictures, on faults made on purpose ---------------------------------------------


@pytest.fixture(scope="module")
def sound() -> tuple[Network, Drawing]:
    network = stage("state-variable-notch").circuit()
    return network, draw(network, placement=stage("state-variable-notch").placement)


def test_a_missing_dot_is_seen(sound) -> None:
    network, drawing = sound
    for dot in drawing.dots:
        assert differences(
            replace(drawing, dots=tuple(d for d in drawing.dots if d != dot)), network
        )


def test_a_missing_wire_is_seen(sound) -> None:
    network, drawing = sound
    for k in range(len(drawing.wires)):
        wires = drawing.wires[:k] + drawing.wires[k + 1 :]
        assert differences(replace(drawing, wires=wires), network)


def test_a_dot_on_a_crossing_is_seen(sound) -> None:
    network, drawing = sound
    assert drawing.crossings
    dotted = replace(drawing, dots=drawing.dots + drawing.crossings[:1])
    assert differences(dotted, network)
    assert differences(replace(drawing, crossings=()), network)


def test_a_wrong_mark_is_seen(sound) -> None:
    network, drawing = sound
    for k, m in enumerate(drawing.marks):
        other = "in" if m.node == "0" else "0"
        for changed in ([replace(m, node=other)], []):
            marks = (*drawing.marks[:k], *changed, *drawing.marks[k + 1 :])
            assert differences(replace(drawing, marks=marks), network)


def test_exchanged_pins_are_seen(sound) -> None:
    network, drawing = sound
    for k, s in enumerate(drawing.symbols):
        if s.kind != "op amp":
            continue
        plus, minus, out = s.pins
        pins = (plus._replace(at=minus.at), minus._replace(at=plus.at), out)
        symbols = (*drawing.symbols[:k], replace(s, pins=pins), *drawing.symbols[k + 1 :])
        assert differences(replace(drawing, symbols=symbols), network)


def test_a_wrong_symbol_is_seen(sound) -> None:
    network, drawing = sound
    for k, s in enumerate(drawing.symbols):
        symbols = (*drawing.symbols[:k], *drawing.symbols[k + 1 :])
        assert differences(replace(drawing, symbols=symbols), network)
        if s.kind == "resistor":
            symbols = (
                *drawing.symbols[:k],
                replace(s, kind="capacitor"),
                *drawing.symbols[k + 1 :],
            )
            assert differences(replace(drawing, symbols=symbols), network)


# -- the measures, on faults made on purpose -------------------------------------------------------


def test_measures_see_overlaps(sound) -> None:
    _, drawing = sound
    first, second, *rest = drawing.symbols
    shifted = replace(second, box=first.box, pins=first.pins)
    assert measure(replace(drawing, symbols=(first, shifted, *rest))).symbol_overlaps > 0
    label, *others = drawing.labels
    on_label = replace(others[0], box=label.box)
    assert measure(replace(drawing, labels=(label, on_label, *others[1:]))).label_overlaps > 0
    on_symbol = Label("R1", ("R1",), 0, 0, "middle", first.box)
    assert measure(replace(drawing, labels=(on_symbol,))).label_overlaps > 0
    middle = Point(round((first.box.left + first.box.right) / 2), round(first.box.top) + 3)
    through = Wire((middle, Point(middle.x, round(first.box.bottom) - 3)))
    found = measure(replace(drawing, wires=(*drawing.wires, through)))
    assert found.wire_over_symbol > 0
    crossing = replace(
        drawing, wires=(Wire((Point(0, 0), Point(9, 0))), Wire((Point(4, -3), Point(4, 3))))
    )
    assert measure(crossing).crossings == 1
    assert measure(crossing).wire_length == 15


def test_boxes_that_touch_do_not_overlap() -> None:
    box = Box(0, 0, 1, 1)
    assert not box.meets(Box(1, 0, 2, 1))
    assert box.meets(Box(0.9, 0.9, 2, 2))
    assert not box.cut_by(Point(1, -1), Point(1, 2))
