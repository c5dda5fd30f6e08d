"""The full check of a circuit with a real op amp: figures, and the findings drawn from them."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from synth.checking import large_rules as large
from synth.checking import loop_rules as loop
from synth.checking import small_rules as small
from synth.checking import speed_rules as speed
from synth.checking import supply_rules as supply
from synth.checking.conditions import Conditions
from synth.checking.facts import Facts, facts
from synth.checking.findings import SEVERITIES, Finding
from synth.checking.model import OpAmpModel
from synth.network.model import Network

#: Every rule, in the order in which equally severe findings are told.
RULES: Sequence[Callable[[Facts], list[Finding]]] = (
    loop.positive_feedback,
    speed.unstable,
    loop.bias_path,
    loop.dc_saturates,
    loop.phase_margin,
    speed.f0_shift,
    speed.pole_beyond,
    speed.q_shift,
    speed.bandwidth,
    speed.stop_band,
    speed.notch_depth,
    small.source_loading,
    large.level,
    large.internal_level,
    large.slew_rate,
    large.output_current,
    large.input_range,
    large.largest_input,
    small.signal_to_noise,
    loop.output_offset,
    small.sensitivity,
    small.balanced_zero,
    supply.single_supply,
    supply.self_biased,
    supply.single_supply_coupling,
    supply.single_supply_ripple,
    large.moved_inputs,
    large.source_current,
    speed.complement_defect,
    loop.mode_on_axis,
)


#: Serious findings that leave the circuit unusable, and what means nothing until they are mended.
UNUSABLE = ("positive-feedback", "unstable", "bias-path", "dc-saturates")
MEANINGLESS = frozenset(
    {
        "largest-input",
        "level",
        "slew-rate",
        "output-current",
        "input-range",
        "internal-level",
        "noise",
        "f0-shift",
        "q-shift",
        "bandwidth",
        "stop-band",
    }
)


@dataclass(frozen=True)
class Checked:
    """A circuit checked.

    Parameters
    ----------
    facts : Facts
    findings : tuple of Finding
        The severe ones first.
    """

    facts: Facts
    findings: tuple[Finding, ...]

    @property
    def serious(self) -> tuple[Finding, ...]:
        """The serious findings."""
        return tuple(f for f in self.findings if f.severity == "serious")

    @property
    def unusable(self) -> tuple[str, ...]:
        """Codes of the serious findings that leave no signal to speak of, each once."""
        return _unusable(self.findings)


def check(
    network: Network,
    model: OpAmpModel,
    conditions: Conditions | None = None,
    *,
    predistort: bool = True,
    before: Network | None = None,
    wanted: Network | None = None,
) -> Checked:
    """Check a circuit; parameters and errors as `synth.checking.facts.facts`."""
    found = facts(
        network,
        model,
        conditions or Conditions(),
        predistort=predistort,
        before=before,
        wanted=wanted,
    )
    findings = [f for rule in RULES for f in rule(found)]
    if _unusable(findings):
        findings = [f for f in findings if f.code not in MEANINGLESS]
    findings.sort(key=lambda f: -SEVERITIES.index(f.severity))
    return Checked(found, tuple(findings))


def _unusable(findings: Sequence[Finding]) -> tuple[str, ...]:
    there = {f.code for f in findings if f.severity == "serious"}
    return tuple(code for code in UNUSABLE if code in there)
