"""From a network to its drawing: places, wires, labels, and room made where it is short."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

from synth.drawing.automatic import automatic, filled
from synth.drawing.labels import place_labels
from synth.drawing.measure import measure
from synth.drawing.model import Box, Drawing, Label, Mark, Pin, Point, Split, Symbol
from synth.drawing.recognise import known_placement
from synth.drawing.router import Routed, route
from synth.drawing.scene import Scene, scene_of
from synth.drawing.shapes import lead_box, op_amp_barrier
from synth.drawing.symbols import body_box, branch_symbol, mark, op_amp_symbol, output_symbol
from synth.drawing.wires import all_wires, segments
from synth.errors import NetworkError
from synth.network.model import Branch, Network, OpAmp
from synth.positions import Place, Placement

#: How often the wires are laid around labels before everything is moved apart.
_ROUNDS = 4
#: Factors by which the places are moved apart where room is short.
_STRETCH = (1.0, 1.25, 1.5, 2.0, 3.0)


def draw(network: Network, *, placement: Placement | None = None) -> Drawing:
    """Return the schematic of a network.

    Parameters
    ----------
    network : Network
    placement : Placement, optional
        Places of the symbols; names that the network does not have are ignored, and parts without
        a place are put near what they join.  By default the places that the catalogue lends to
        the network and its relatives, else automatic ones.

    Raises
    ------
    NetworkError
        If there is nothing to draw.
    """
    if not network.branches and not network.op_amps:
        raise NetworkError("there are no parts to draw; add some to the network")
    scene = scene_of(network)
    for places in _choices(scene, placement):
        for factor in _STRETCH:
            drawing = _attempt(scene, _stretched(places, factor))
            if drawing is not None:
                return drawing
    raise NetworkError("the symbols cannot be wired; please report this network")


def placement_for(network: Network) -> Placement:
    """Return the places that `draw` gives a network by itself, as a start for what is made of it.

    The places can be taken along by `synth.drawing.carry.carried`.
    """
    return next(_choices(scene_of(network), None))


def _choices(scene: Scene, placement: Placement | None) -> Iterator[Placement]:
    """Placements to try: the one given, the one the catalogue lends, the automatic one."""
    wanted = {i.name for i in scene.items}
    if placement is None:
        placement = known_placement(scene.network)
    if placement is not None and wanted & set(placement.places):
        yield filled(scene, placement)
    yield automatic(scene)


def _stretched(placement: Placement, factor: float) -> Placement:
    if factor == 1.0:
        return placement
    return Placement(
        {
            n: p._replace(x=round(p.x * factor), y=round(p.y * factor))
            for n, p in placement.places.items()
        }
    )


def symbols_of(scene: Scene, placement: Placement) -> list[Symbol]:
    """Return the symbol of every item."""
    found = []
    for item in scene.items:
        place = placement.places[item.name]
        if isinstance(item.of, Branch):
            found.append(branch_symbol(item.of, place))
        elif isinstance(item.of, OpAmp):
            found.append(op_amp_symbol(item.of, place))
        else:
            found.append(output_symbol(item.name, item.shown, place))
    return found


def _attempt(scene: Scene, placement: Placement) -> Drawing | None:
    """Wire and label the symbols in these places; None where room is short."""
    symbols = symbols_of(scene, placement)
    nets: dict[str, list[Pin]] = {}
    marks: list[Mark] = []
    for item, symbol in zip(scene.items, symbols, strict=True):
        for node, pin in zip(item.nodes, symbol.pins, strict=True):
            if node in scene.held:
                kind, shown = scene.held[node]
                marks.append(mark(kind, node, shown, pin))
            else:
                nets.setdefault(node, []).append(pin)
    barriers = [b for s in symbols for b in _barrier(s, placement.places[s.name])]
    solid = [*barriers, *(b for m in marks for b in m.boxes)]
    work = list(zip(scene.items, symbols, strict=True))
    blocks: dict[str, Box] = {}
    for _ in range(_ROUNDS):
        routed = route(nets, [*solid, *blocks.values(), *_closed(marks)])
        if routed is None:
            return None
        wires, _ = all_wires(routed.edges, nets)
        labels, crossed = place_labels(work, solid, segments(wires))
        if not crossed:
            drawing = _drawing(scene, symbols, routed, nets, marks, labels)
            found = measure(drawing)
            good = not (found.symbol_overlaps or found.label_overlaps or found.wire_over_symbol)
            return drawing if good else None
        boxes = {k.owner: k.box for k in labels}
        if all(blocks.get(name) == boxes[name] for name in crossed):
            return None
        blocks.update({name: boxes[name] for name in crossed})
    return None


def _closed(marks: Sequence[Mark]) -> list[Box]:
    """Return small boxes around pins that have a mark: no wire may touch them."""
    return [Box(m.at.x - 0.3, m.at.y - 0.3, m.at.x + 0.3, m.at.y + 0.3) for m in marks]


def _barrier(symbol: Symbol, place: Place) -> tuple[Box, ...]:
    if symbol.kind == "op amp":
        return op_amp_barrier(place)
    if symbol.kind == "output":
        box = symbol.box
        return (Box(box.left + 0.1, box.bottom, box.right, box.top),)
    return body_box(place), lead_box(place)


def _drawing(
    scene: Scene,
    symbols: Sequence[Symbol],
    routed: Routed,
    nets: dict[str, list[Pin]],
    marks: Sequence[Mark],
    labels: Sequence[Label],
) -> Drawing:
    wires, dots = all_wires(routed.edges, nets)
    return Drawing(
        title=scene.network.title,
        symbols=tuple(symbols),
        wires=wires,
        dots=tuple(p for some in dots.values() for p in some),
        crossings=routed.crossings,
        marks=tuple(marks),
        labels=tuple(labels),
        splits=(splits := _splits(scene, symbols, dots)),
        caption=tuple(_told(scene, s) for s in splits),
    )


def _told(scene: Scene, split: Split) -> str:
    """Return the line that explains the mark of a split."""
    a = scene.network.branch(split.source_part)
    b = scene.network.branch(split.ground_part)
    text = f"◐ split: {a.name} to the source, {b.name} to ground"
    if a.value is None or b.value is None:
        return text
    share = (a.value if a.power > 0 else b.value) / (a.value + b.value)
    return f"{text}, {share:.4g} of the input"


def _splits(
    scene: Scene, symbols: Sequence[Symbol], dots: Mapping[str, Sequence[Point]]
) -> tuple[Split, ...]:
    """Find pairs ``Xa``, ``Xb`` of one kind from a common node to the source and to ground."""
    by_name = {s.name: s for s in symbols}
    parts = {b.name: b for b in scene.network.branches}
    found = []
    for name, b in parts.items():
        stem = name.rstrip("x")
        if not stem.endswith("a"):
            continue
        for other in (f"{stem[:-1]}b{'x' * k}" for k in range(3)):
            c = parts.get(other)
            if c is None or c.power != b.power:
                continue
            kinds = [[scene.held.get(n, ("",))[0] for n in p.nodes] for p in (b, c)]
            common = [n for n in b.nodes if n in c.nodes and n not in scene.held]
            if "source" in kinds[0] and {"ground", "reference"} & set(kinds[1]) and common:
                pin = b.nodes.index(common[0])
                at = by_name[name].pins[pin].at
                near = sorted(dots[common[0]], key=lambda p: abs(p.x - at.x) + abs(p.y - at.y))
                found.append(Split(name, other, near[0] if near else at))
    return tuple(found)
