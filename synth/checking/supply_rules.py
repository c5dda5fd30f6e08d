"""Findings about a single supply: where the signal's ground sits, coupling, ripple."""

from __future__ import annotations

import math

from synth.checking.facts import Facts
from synth.checking.findings import Finding, si
from synth.checking.single_supply import SingleSupply
from synth.units import plain

#: A reference that leaves less than this share of the largest amplitude is off the middle.
_OFF_MIDDLE = 0.8


def single_supply(facts: Facts) -> list[Finding]:
    """Say where the signal's ground sits and what is biased there, here and after a swap."""
    s = facts.single
    if s is None:
        return []
    rails = (
        f"between rails of {si(facts.model.supply_negative, 'V')} and "
        f"{si(facts.model.supply_positive, 'V')}"
    )
    low, high = s.window_v
    if low >= high:
        return [
            Finding(
                "serious",
                "no-resting-point",
                "circuit",
                f"{rails} outputs reach {_range(facts.model.output_range)} and inputs take "
                f"{_range(facts.model.common_mode_range)}: no voltage suits both",
                "an op amp whose inputs or outputs come nearer to the rails, or a higher supply",
            )
        ]
    if s.held and low < s.reference_v < high:
        return [_held(facts, s, rails)]
    swap = ""
    if facts.single_other is not None:
        swap = f"; {facts.there}, {_list(facts.single_other.biased)}"
    remedy = f"hold the signal's ground at {si(s.reference_v, 'V')} and connect there what is named"
    if s.free:
        remedy += f"; {_list(s.free)} may go to the supply's ground as well"
    return [
        Finding(
            "caution",
            "single-supply",
            "circuit",
            f"{rails} the signal's ground sits at {si(s.reference_v, 'V')}, the middle of "
            f"{_range(s.window_v)}, for an amplitude of {si((high - low) / 2, 'V')}; biased there: "
            f"{_list(s.biased)}{swap}",
            remedy,
        )
    ]


def _held(facts: Facts, s: SingleSupply, rails: str) -> Finding:
    """Tell what a deck that holds the signal's ground leaves to do."""
    low, high = s.window_v
    room = min(s.reference_v - low, high - s.reference_v)
    middle = (low + high) / 2
    off = room < _OFF_MIDDLE * (high - low) / 2
    remedy = f"none needed: the deck holds {facts.network.reference} there"
    if off:
        remedy = f"hold {facts.network.reference} at {si(middle, 'V')} for {si(high - middle, 'V')}"
    return Finding(
        "caution" if off else "note",
        "single-supply",
        "circuit",
        f"{rails} the deck holds the signal's ground ({facts.network.reference}) at "
        f"{si(s.reference_v, 'V')}, which leaves an amplitude of {si(room, 'V')} within "
        f"{_range(s.window_v)}",
        remedy,
    )


def self_biased(facts: Facts) -> list[Finding]:
    """Tell where the op amps of a deck rest that ties its parts to its one supply."""
    if facts.deck is None or not facts.deck.biases_itself or not facts.levels.amplifiers:
        return []
    low, high = facts.model.output_range
    rows = facts.levels.amplifiers
    lost = [a for a in rows if not a.room_v]
    where = ", ".join(f"{a.name} at {si(a.rest_v, 'V')}" for a in rows)
    remedy = "none needed; name the node that is the signal's ground (--ground), if there is one"
    if lost:
        remedy = (
            f"bias {', '.join(a.name for a in lost)} near {si((low + high) / 2, 'V')}, or take an "
            "op amp whose output comes nearer to the rails"
        )
    return [
        Finding(
            "serious" if lost else "note",
            "single-supply",
            "circuit",
            f"the deck biases itself: outputs rest with {where}, and reach {_range((low, high))}",
            remedy,
        )
    ]


def single_supply_coupling(facts: Facts) -> list[Finding]:
    """Say how the signal comes to the input on one supply."""
    s = facts.single
    if s is None:
        return []
    if s.coupling_capacitor is None:
        return [
            Finding(
                "note",
                "single-supply-coupling",
                "circuit",
                "only capacitors touch the input: it holds no DC level, whatever the source's",
                "none needed",
            )
        ]
    draws = "draws no direct current"
    if math.isfinite(s.input_resistance):
        draws = f"draws direct current through {si(s.input_resistance, 'ohm')}"
    bias = ""
    if s.bias_resistor is not None:
        bias = f", behind it {si(s.bias_resistor, 'ohm')} from the input to the reference"
    return [
        Finding(
            "caution",
            "single-supply-coupling",
            "circuit",
            f"the input must rest at {si(s.reference_v, 'V')} ({_list(s.input_biased)}) and "
            f"{draws}",
            f"a source that rests there too, or a coupling capacitor of "
            f"{si(s.coupling_capacitor, 'F')} or more{bias}: its corner is then at "
            f"{si(s.coupling_corner_hz, 'Hz')}",
        )
    ]


def single_supply_ripple(facts: Facts) -> list[Finding]:
    """Say what the reference adds to the output: 1 - H here, H after a swap."""
    s = facts.single
    if s is None:
        return []
    after = ""
    if facts.single_other is not None:
        other = facts.single_other.ripple
        after = f", {facts.there} with {plain(other.value)} V/V (at {si(other.at_hz, 'Hz')})"
    takes, remedy = "takes no signal current", "bypass it, or take it from a quiet source"
    if s.reference_current.value > 0 and math.isfinite(s.reference_resistance):
        takes = f"takes up to {si(s.reference_current.value, 'A')} per volt of the source"
        remedy = (
            f"a reference of {si(s.reference_resistance, 'ohm')} or less over the band keeps its "
            "part below 1 % of the output's peak: a buffered divider, its middle bypassed"
        )
    if s.bypass:
        total, low = sum(c for _, c in s.bypass), facts.levels.band_hz[0]
        remedy = (
            f"already bypassed by {_list(tuple(n for n, _ in s.bypass))}: "
            f"{si(1 / (2 * math.pi * low * total), 'ohm')} at {si(low, 'Hz')}, less above"
        )
    return [
        Finding(
            "note",
            "single-supply-ripple",
            "circuit",
            "ripple and noise of the reference reach the output with up to "
            f"{plain(s.ripple.value)} V/V (at {si(s.ripple.at_hz, 'Hz')}){after}; the reference "
            f"{takes}",
            remedy,
        )
    ]


def _range(window: tuple[float, float]) -> str:
    return f"{si(window[0], 'V')} to {si(window[1], 'V')}"


def _list(names: tuple[str, ...]) -> str:
    return ", ".join(names) or "nothing"
