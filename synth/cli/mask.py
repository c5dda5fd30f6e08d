"""Options that say a mask: a file, or bands with their levels; and what is read from them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, TypeVar

import click

from synth.cli.options import Gain

if TYPE_CHECKING:
    from synth.masks.limits import DelayLimit, Limit, Mask

_F = TypeVar("_F", bound=Callable[..., Any])


def mask_options(command: _F) -> _F:
    """Add ``--mask``, ``--pass``, ``--stop``, ``--flat-delay``; given as ``MaskOptions`` takes."""
    for add in (
        click.option(
            "--flat-delay",
            "flat_delay",
            multiple=True,
            metavar="BAND=R",
            help="Flat delay, as 0:1k=5% or 0:1k=20us; repeat.",
        ),
        click.option(
            "--stop", "stop", multiple=True, metavar="BAND=DB", help="Stop band, as 2k:inf=60dB."
        ),
        click.option(
            "--pass",
            "pass_",
            multiple=True,
            metavar="BAND=DB",
            help="Pass band, as 0:1k=0.5dB: from the gain down to 0.5 dB below.",
        ),
        click.option(
            "--mask", "mask", metavar="FILE", help="Limits, one a line, as in 0 1k >= -3 dB."
        ),
    ):
        command = add(command)
    return command


def ripple_options(command: _F) -> _F:
    """Add the ripples of phase and delay that some families have."""
    from synth.cli.options import Quantity

    for add in (
        click.option(
            "--delay-ripple",
            metavar="PERCENT",
            help="Of equal-delay [1 %, or what the mask allows].",
        ),
        click.option(
            "--phase-ripple",
            type=Quantity("", "number"),
            metavar="DEG",
            help="Of linear-phase [0.05 degrees].",
        ),
    ):
        command = add(command)
    return command


@dataclass(frozen=True)
class MaskOptions:
    """What the options of a mask say."""

    mask: str | None
    pass_: tuple[str, ...]
    stop: tuple[str, ...]
    flat_delay: tuple[str, ...]
    gain: float | None = None

    @property
    def bands(self) -> bool:
        """Whether a band is said by an option."""
        return bool(self.pass_ or self.stop or self.flat_delay)

    @property
    def given(self) -> str | None:
        """The name of an option that was given, if one was."""
        for name, value in (
            ("--mask", self.mask),
            ("--pass", self.pass_),
            ("--stop", self.stop),
            ("--flat-delay", self.flat_delay),
        ):
            if value:
                return name
        return None

    def read(self) -> Mask:
        """Return the mask; SynthError says what is wrong with a file or a band."""
        from synth.masks.limits import Mask, mask_of, read_mask

        limits: list[Limit] = []
        for text in self.pass_:
            limits += _pass_band(text)
        limits += [_stop_band(text) for text in self.stop]
        own = mask_of(limits, map(_delay, self.flat_delay), 1.0 if self.gain is None else self.gain)
        if self.mask is None:
            return own
        found = read_mask(self.mask)
        if self.gain is not None:
            raise click.UsageError(
                "--gain and --mask: the file says its own gain (a line as in gain 6 dB); leave one "
                "out"
            )
        if not self.bands:
            return found
        moved = mask_of(limits, own.delays, found.gain)
        return Mask((*found.limits, *moved.limits), (*found.delays, *moved.delays), found.gain)


def _pass_band(text: str) -> list[Limit]:
    from synth.masks.limits import Limit

    low, high, level = _band("--pass", text, "0:1k=0.5dB")
    ripple = _decibels("--pass", text, level)
    return [Limit(low, high, ">=", -ripple), Limit(low, high, "<=", 0.0)]


def _stop_band(text: str) -> Limit:
    from synth.masks.limits import Limit

    low, high, level = _band("--stop", text, "2k:inf=60dB")
    return Limit(low, high, "<=", -_decibels("--stop", text, level))


def _delay(text: str) -> DelayLimit:
    from synth.masks.limits import delay_limit

    return delay_limit(*_band("--flat-delay", text, "0:1k=5%"))


def _band(option: str, text: str, example: str) -> tuple[float, float, str]:
    from synth.masks.limits import frequency

    band, equals, level = text.partition("=")
    low, colon, high = band.partition(":")
    if not equals or not colon or not level.strip():
        raise click.UsageError(f"{option}: {text!r} is no band with its level; write {example}")
    return frequency(low.strip()), frequency(high.strip()), level.strip()


def _decibels(option: str, text: str, level: str) -> float:
    from synth.units import parse_si

    value = parse_si(level[:-2] if level[-2:].lower() == "db" else level, "dB")
    if not 0 < value <= 1000:
        raise click.UsageError(
            f"{option}: {text!r} needs a positive number of decibels: the ripple of a pass band, "
            "the attenuation of a stop band"
        )
    return value


gain_option = click.option("--gain", type=Gain(), metavar="G", help="As 2, -1 or 6dB [1].")
