"""Masks and tables of a response, from Python."""

from __future__ import annotations

from collections.abc import Sequence

from synth.masks.compare import Comparison, compare, equalise
from synth.masks.limits import DelayLimit, Mask
from synth.masks.verify import Kept, verified
from synth.measured.fit import ResponseFit, fit_response
from synth.measured.table import ResponseTable
from synth.progress import Progress
from synth.realisation.brief import Brief
from synth.realisation.design import Realisation
from synth.realisation.realise import PROVED, realise
from synth.realisation.whole import Checked, circuits_for
from synth.target import FAMILIES, Target
from synth.transfer.transfer import Transfer
from synth.values.series import CAPACITORS, RESISTORS, Shelf


def compare_responses(
    mask: Mask, families: Sequence[str] = tuple(FAMILIES), *, direct: bool = False
) -> Comparison:
    r"""Return the lowest order of each family that keeps a mask, the fewest poles first.

    Parameters
    ----------
    mask : Mask
        See `read_mask` and `mask_from_text`.
    families : sequence of str
    direct : bool
        Fit a function of no family even where a family should be the lowest.

    Examples
    --------
    >>> from synth.masks.limits import mask_from_text
    >>> found = compare_responses(mask_from_text("0 1k within 0.5 dB\n2k inf <= -40 dB"))
    >>> [(c.name, c.order) for c in found.candidates][:2]
    [('elliptic', 4), ('chebyshev', 5)]
    """
    return compare(mask, families=families, direct=direct)


def realise_mask(
    mask: Mask,
    families: Sequence[str] = tuple(FAMILIES),
    *,
    resistors: Shelf = RESISTORS,
    capacitors: Shelf = CAPACITORS,
    top: int = 5,
    seed: int = 0,
    progress: Progress | None = None,
) -> tuple[Checked, ...]:
    """Return circuits for a mask, those that keep it with their values first.

    Parameters
    ----------
    mask : Mask
    families : sequence of str
    resistors, capacitors, top, seed, progress
        See `synth.realise`.

    Raises
    ------
    RealisationError
        If no response keeps the mask, or none has a circuit.
    """

    def search(target: Target) -> tuple[Realisation, ...]:
        brief = Brief(
            target,
            resistors,
            capacitors,
            mask=mask.absolute,
            seed=seed,
            delays=mask.delays,
        )
        return realise(brief, top=max(top, PROVED), progress=progress)

    return circuits_for(mask, compare(mask, families=families).candidates, search)[1][:top]


def check_mask(mask: Mask, transfer: Transfer) -> tuple[Kept, ...]:
    """Return each limit of a mask with what a response leaves of it, at its extremes."""
    return verified(mask, transfer)


def flatten_delay(target: Target, delays: Sequence[DelayLimit]) -> Target:
    """Return a target followed by the fewest all-pass sections that keep limits of its delay."""
    return equalise(target, delays).target


def fit_table(table: ResponseTable, order: int | None = None) -> ResponseFit:
    """Return a stable rational function near a table; see `read_response`."""
    return fit_response(table, order)
