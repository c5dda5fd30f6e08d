"""Open pages in headless Chromium, as a person's browser would, with no network to reach."""

from __future__ import annotations

import json
import shutil
import subprocess
import tempfile
from dataclasses import dataclass
from pathlib import Path

import pytest

EXECUTABLE = shutil.which("chromium") or shutil.which("chromium-browser")

needs_browser = pytest.mark.skipif(EXECUTABLE is None, reason="chromium is not installed")

_FLAGS = (
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--disable-extensions",
    "--hide-scrollbars",
    "--enable-logging=stderr",
    "--v=0",
    "--host-resolver-rules=MAP * ~NOTFOUND",
)


@dataclass(frozen=True)
class Visit:
    """What a visit left: the document after its scripts, console lines, addresses asked for."""

    document: str
    console: tuple[str, ...]
    requests: tuple[str, ...]


def visit(page: Path, *, width: int = 1200, height: int = 900, dark: bool = False) -> Visit:
    """Open a page and return its document once it has settled."""
    with tempfile.TemporaryDirectory() as folder:
        log = Path(folder) / "net.json"
        done = _run(
            folder,
            f"--window-size={width},{height}",
            f"--blink-settings=preferredColorScheme={0 if dark else 1}",
            f"--log-net-log={log}",
            "--virtual-time-budget=3000",
            "--dump-dom",
            page.as_uri(),
        )
        requests = _requests(log)
    console = tuple(line for line in done.stderr.splitlines() if "CONSOLE" in line)
    return Visit(done.stdout, console, requests)


def pdf(page: Path, target: Path) -> None:
    """Print a page."""
    with tempfile.TemporaryDirectory() as folder:
        _run(folder, "--no-pdf-header-footer", f"--print-to-pdf={target}", page.as_uri())


def screenshot(page: Path, target: Path, *, width: int, height: int, dark: bool = False) -> None:
    """Take a picture of a page."""
    with tempfile.TemporaryDirectory() as folder:
        _run(
            folder,
            f"--window-size={width},{height}",
            f"--blink-settings=preferredColorScheme={0 if dark else 1}",
            f"--screenshot={target}",
            page.as_uri(),
        )


def _run(folder: str, *arguments: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [str(EXECUTABLE), *_FLAGS, f"--user-data-dir={folder}/profile", *arguments],
        capture_output=True,
        text=True,
        encoding="utf-8",
        errors="replace",
        stdin=subprocess.DEVNULL,
        timeout=120,
        check=True,
    )


def _requests(log: Path) -> tuple[str, ...]:
    """Addresses of every request that the browser's own log of the network has."""
    data = json.loads(log.read_text(encoding="utf-8", errors="replace"))
    found = []
    for event in data["events"]:
        url = event.get("params", {}).get("url", "")
        if isinstance(url, str) and url:
            found.append(url)
    return tuple(dict.fromkeys(found))
