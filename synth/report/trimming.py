"""Which parts trim f0 or Q of a second-order stage alone, and what else of H they move."""

from __future__ import annotations

from math import sqrt
from typing import NamedTuple

from synth.analysis.loop import analyse
from synth.analysis.numbers import modes
from synth.analysis.sensitivity import mode_sensitivities
from synth.claims import response
from synth.network.model import Network
from synth.stage_file import Stage
from synth.transfer import polynomial as exact

#: A sensitivity below this is none; so is a relative change of a number of H by `_STEP`.
_NONE = 1e-6
#: Parts are changed by this fraction.
_STEP = 0.01


def tuning(stage: Stage) -> list[str]:
    """Return the remarks on trimming, with the values of the example; none without a pole pair."""
    circuit = stage.circuit()
    loop = analyse(circuit)
    pairs = [s for s in mode_sensitivities(loop, modes(loop)) if s.q is not None]
    if not pairs:
        return []
    f0, q = dict(pairs[0].f0), dict(pairs[0].q or ())
    q_alone = [n for n in q if abs(f0[n]) < _NONE < abs(q[n])]
    f0_alone = [n for n in q if abs(q[n]) < _NONE < abs(f0[n])]
    found = []
    for what, names in (("Q and leaves f0", q_alone), ("f0 and leaves Q", f0_alone)):
        if names:
            told = ", ".join(n + _besides(stage, circuit, n) for n in names)
            found.append(f"trims {what}: {told}")
    if not q_alone and not f0_alone:
        found.append("every part that moves f0 or Q moves both, with the values of the example")
    return found


def _besides(stage: Stage, circuit: Network, part: str) -> str:
    """Say in parentheses what else a part moves than f0 or Q; nothing where it moves no more."""
    value = circuit.values[part] * (1 + _STEP)
    before = _shape(stage, circuit)
    after = _shape(stage, circuit.with_values({part: value}))
    if before is None or after is None:
        return ""
    words = []
    if abs(after.gain - before.gain) > _NONE * abs(before.gain):
        words.append("moves the gain")
    if after.zero is not None and before.zero is not None:
        if abs(after.zero - before.zero) > _NONE * before.zero:
            words.append("moves the zeros against f0")
        if abs(after.damping - before.damping) > _NONE:
            words.append(_DAMPING.get(stage.kinds[0], "moves the damping of the zeros"))
    return f" ({' and '.join(words)})" if words else ""


_DAMPING = {
    **dict.fromkeys(("bandstop", "lowpass-notch", "highpass-notch"), "fills the notch"),
    "allpass": "makes it no all-pass",
    "peaking": "moves the gain at the centre",
}


class _Shape(NamedTuple):
    """Gain in the pass band; of a pair of zeros the frequency over f0, and the damping.

    The damping is that over the poles' for an all-pass and a peaking section, which keep it.
    """

    gain: float
    zero: float | None
    damping: float


def _shape(stage: Stage, circuit: Network) -> _Shape | None:
    top, bottom = response(stage.loop, circuit)
    n, d = _three(top), _three(bottom)
    if len(bottom) != 3 or not d[0] or not d[1]:
        return None
    kind = stage.kinds[0]
    place = {"lowpass": 0, "lowpass-notch": 0, "bandpass": 1}.get(kind, 2)
    gain = n[place] / d[place]
    if not n[0] or not n[2]:
        return _Shape(gain, None, 0.0)
    zero, own = sqrt(abs(n[0] / n[2])), n[1] / sqrt(abs(n[0] * n[2]))
    w0, poles = sqrt(d[0] / d[2]), d[1] / sqrt(d[0] * d[2])
    return _Shape(gain, zero / w0, own / poles if kind in ("allpass", "peaking") else own)


def _three(p: exact.Poly) -> list[float]:
    return [*map(float, p), *([0.0] * (3 - len(p)))]
