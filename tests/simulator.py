"""Run decks in the circuit simulator ngspice, as an oracle for the library's own answers."""

from __future__ import annotations

import shutil
import subprocess
import tempfile
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest

from synth.network.model import Network

EXECUTABLE = shutil.which("ngspice")

_SKIP = pytest.mark.skipif(EXECUTABLE is None, reason="ngspice is not installed")


def needs_simulator(test):  # type: ignore[no-untyped-def]
    """Mark a test with `simulator`, and skip it with a reason where ngspice is missing."""
    return pytest.mark.simulator(_SKIP(test))


@dataclass(frozen=True)
class Response:
    """Answer of an AC analysis: frequencies in Hz and complex node voltages by node name.

    The simulator writes every name in lower case; `node` takes any case.
    """

    frequencies: npt.NDArray[np.float64]
    voltages: dict[str, npt.NDArray[np.complex128]]

    def node(self, name: str) -> npt.NDArray[np.complex128]:
        return self.voltages[name.lower()]

    def output(self, network: Network) -> npt.NDArray[np.complex128]:
        """The voltage at the network's output, between two nodes where it is differential."""
        return sum(weight * self.node(name) for name, weight in network.reading.weights)


def simulate(deck: str) -> Response:
    """Run a deck with an ``.ac`` line in batch and return every node voltage.

    The deck runs as it stands, without the raw-file option and without any line added, a first
    time: it must succeed that way.  The second run only asks for full precision.
    """
    if EXECUTABLE is None:
        pytest.skip("ngspice is not installed")
    with tempfile.TemporaryDirectory() as folder:
        (Path(folder) / "deck.cir").write_text(deck, encoding="utf-8")
        run_batch(folder, "deck.cir")
        run_batch(folder, "-r", "deck.raw", "deck.cir")
        return _parse((Path(folder) / "deck.raw").read_bytes())


def run_batch(folder: str, *arguments: str) -> None:
    done = subprocess.run(
        [str(EXECUTABLE), "-b", *arguments],
        cwd=folder,
        capture_output=True,
        text=True,
        encoding="utf-8",
        errors="replace",
        stdin=subprocess.DEVNULL,
        timeout=60,
        check=False,
    )
    if done.returncode or "rror" in done.stderr:
        pytest.fail(f"ngspice refused the deck:\n{done.stderr}\n{done.stdout[-2000:]}")


def _parse(raw: bytes) -> Response:
    head, found, body = raw.partition(b"Binary:\n")
    if not found:
        pytest.fail("ngspice wrote no result")
    lines = head.decode("utf-8", "replace").splitlines()
    start = lines.index("Variables:") + 1
    names = [line.split()[1] for line in lines[start:] if line.strip()]
    table = np.frombuffer(body, dtype=np.complex128).reshape(-1, len(names))
    voltages = {
        name[2:-1]: table[:, k] for k, name in enumerate(names) if name.lower().startswith("v(")
    }
    return Response(table[:, 0].real.copy(), voltages)
