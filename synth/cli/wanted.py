"""The target that the options of `realise` and `values` say: a kind, or H(s)."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from collections.abc import Sequence

    from synth.cli.mask import MaskOptions
    from synth.masks.compare import Candidate
    from synth.masks.limits import Mask
    from synth.measured.fit import ResponseFit
    from synth.realisation.design import Realisation
    from synth.report.asked import Asked
    from synth.target.target import Target


@dataclass(frozen=True)
class Wanted:
    """A target, and where it comes from: a mask with what keeps it, or a table of a response."""

    target: Target
    mask: Mask | None = None
    candidates: tuple[Candidate, ...] = ()
    fit: ResponseFit | None = None
    notes: tuple[str, ...] = ()

    def of(self, candidate: Candidate) -> Wanted:
        """Return this with another of the responses that keep the mask."""
        return replace(self, target=candidate.target, candidates=(candidate,))

    def report(self, found: Sequence[Realisation]) -> Asked:
        """Return what is said of the circuits beside their own figures."""
        from synth.report.asked import NOTHING
        from synth.report.mask import of_fit, of_mask

        if self.mask is not None:
            return of_mask(self.mask, self.candidates[0], found)
        if self.fit is not None:
            return of_fit(self.fit, self.notes)
        return NOTHING


def masked_target(
    masked: MaskOptions, options: FamilyOptions, at: float | None, complement: bool, fit: bool
) -> Wanted:
    """Return the response of the fewest poles that keeps a mask, or that of the family asked for.

    Raises
    ------
    RealisationError
        If none keeps it.
    """
    from synth.cli.target import compared
    from synth.errors import RealisationError
    from synth.masks.compare import FITTED, fitted_to_order

    used = ("order", "gain") if fit else ("family", "gain", "phase_ripple", "delay_ripple")
    _refuse(options, used, at, complement, "a fit" if fit else "a mask")
    chosen = (options.family,) if options.family else (FITTED,) if fit else ()
    if options.order is None:
        found = compared(masked, chosen, options.phase_ripple, options.delay_ripple, fit)
    else:
        found = fitted_to_order(masked.read(), options.order)
    if not found.candidates:
        why = "; ".join(f"{name}: {reason}" for name, reason in found.absent[:3])
        raise RealisationError(
            f"no response keeps the mask ({why}); allow more ripple, less attenuation or wider "
            "transitions"
        )
    return Wanted(found.candidates[0].target, found.mask, found.candidates)


def equalised_target(target: Target, masked: MaskOptions) -> Wanted:
    """Return a target followed by the all-pass sections that flatten its delay as asked.

    Raises
    ------
    TargetError
        If no equaliser of the order that is left does.
    """
    from synth.cli.terminal import meter
    from synth.masks.compare import equalise

    mask = masked.read()
    with meter("equalising") as progress:
        made = equalise(target, mask.delays, progress)
    return Wanted(made.target, mask, (made,))


def fitted_target(
    response: str, options: FamilyOptions, at: float | None, complement: bool
) -> Wanted:
    """Return the rational function fitted to a table of a response."""
    from synth.cli.terminal import meter
    from synth.errors import RealisationError
    from synth.measured.fit import fit_response, too_many
    from synth.measured.table import read_response

    _refuse(options, ("order",), at, complement, "--response")
    table = read_response(response)
    with meter("fitting") as progress:
        fit = fit_response(table, options.order, progress)
    if why := too_many(fit):
        raise RealisationError(f"{why}; leave --order out, and the order that they hold is found")
    return Wanted(fit.target, fit=fit, notes=table.notes)


def _refuse(
    options: FamilyOptions, used: Sequence[str], at: float | None, complement: bool, what: str
) -> None:
    given = [f"--{n.replace('_', '-')}" for n, v in vars(options).items() if v is not None]
    given = [g for g in given if g[2:].replace("-", "_") not in used]
    given += ["--at"] if at is not None else []
    given += ["--complement"] if complement else []
    if given:
        raise click.UsageError(f"{given[0]} has no place beside {what}; leave it out")


@dataclass(frozen=True)
class FamilyOptions:
    """The options that belong to a KIND."""

    family: str | None
    order: int | None
    q: float | None
    width: float | None
    ripple: float | None
    stop_attenuation: float | None
    edge: str | None
    gain: float | None
    phase_ripple: float | None = None
    delay_ripple: str | None = None

    def given(self) -> str | None:
        """Return the name of an option that was given, if one was."""
        names = [n for n, value in vars(self).items() if value is not None]
        return f"--{names[0].replace('_', '-')}" if names else None


def wanted_target(
    kind: str | None,
    at: float | None,
    options: FamilyOptions,
    h: str | None,
    num: str | None,
    den: str | None,
    complement: bool,
) -> Target:
    """Return the target that the options say; a usage error when they contradict each other."""
    from synth.cli.lift import share
    from synth.target import response_target, transfer_target
    from synth.transfer.expression import transfer_from_coefficients, transfer_from_text

    if (num is None) != (den is None):
        raise click.UsageError("--num and --den belong together; give both")
    if sum(x is not None for x in (kind, h, num)) != 1:
        raise click.UsageError("give one target: a KIND, or --h, or --num with --den")
    if kind is None:
        given = options.given()
        if given is not None:
            raise click.UsageError(f"{given} is for a KIND and not for a given H; leave it out")
        if h is not None:
            return transfer_target(transfer_from_text(h), at, complement)
        return transfer_target(transfer_from_coefficients(num or "", den or ""), at, complement)
    if at is None:
        raise click.UsageError(f"a {kind} needs its frequency; give --at, as in --at 1kHz")
    wanted = response_target(
        kind,
        at,
        family=options.family,
        order=options.order,
        ripple_db=options.ripple,
        stop_attenuation_db=options.stop_attenuation,
        gain=1.0 if options.gain is None else options.gain,
        q=options.q,
        width_hz=options.width,
        edge=options.edge,
        phase_degrees=options.phase_ripple,
        delay_ripple=None if options.delay_ripple is None else share(options.delay_ripple),
    )
    if not complement:
        return wanted
    other = transfer_target(wanted.transfer, None, True)
    return replace(
        other,
        at_hz=at,
        description=f"1 - H, H the {wanted.description}",
        meaning=f"of H: {wanted.meaning}",
    )
