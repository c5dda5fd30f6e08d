"""What the terminal shows beside the answers: sketch, progress, --quiet, NO_COLOR, completion."""

import io
import json
import math
import os
import pty
import subprocess
import sys
from pathlib import Path

import pytest

import synth
from synth.cli.main import run
from synth.progress import counter, portion
from synth.report.sketch import ascii_dots, sketch
from synth.transfer.transfer import Transfer

NOTCH_DECK = str(Path(synth.__file__).parent / "demo" / "hum-notch.cir")
RUN = "from synth.cli.main import run; raise SystemExit(run())"
ENVIRONMENT = {
    **{k: v for k, v in os.environ.items() if k not in ("NO_COLOR", "TERM")},
    "PYTHONPATH": str(Path(synth.__file__).parents[1]),
    "TERM": "xterm",
}


def levels(lines):
    """Read a sketch back: for each column of dots the level in dB of its highest dot."""
    labels = {k: int(x[:4]) for k, x in enumerate(lines[:8]) if x[:8].strip(" |")}
    first, second = sorted(labels)[:2]
    step = (labels[first] - labels[second]) / (second - first)
    found = {}
    for row, line in enumerate(lines[:8]):
        for column, char in enumerate(line[9:]):
            bits = ord(char) - 0x2800 if char != " " else 0
            for x, rows in enumerate(((1, 2, 4, 64), (8, 16, 32, 128))):
                for y, bit in enumerate(rows):
                    if bits & bit:
                        place = row + (y - 1.5) / 4
                        found.setdefault(2 * column + x, labels[first] + step * (first - place))
    return found, step


def test_the_sketch_of_a_lowpass_shows_its_levels():
    """Order n falls 20 n dB a decade (common practice); the dots are read back."""
    w0 = 2e3 * math.pi
    h = Transfer.from_tf((w0**2,), (1.0, math.sqrt(2) * w0, w0**2))
    found, step = levels(sketch(h))
    assert len(found) >= 100
    for column, level in found.items():
        hertz = 10 ** (2 + 2 * column / 127)  # a decade either side of 1 kHz
        exact = 20 * math.log10(abs(complex(h(2j * math.pi * hertz))))
        assert level == pytest.approx(exact, abs=step / 4), column


def test_a_notch_reaches_the_bottom_however_narrow():
    w0, q = 100.0, 500.0
    lines = sketch(Transfer.from_tf((1.0, 0.0, w0**2), (1.0, w0 / q, w0**2)))
    assert lines[7].strip(" -0123456789dB|")


def test_nothing_is_drawn_of_a_constant():
    assert sketch(Transfer.from_tf((2.0,), (1.0,))) == []


@pytest.mark.parametrize("decades", [1, 3, 9])
def test_the_axis_fits_and_names_decades_where_they_are(decades):
    a, b = 1.0, 10.0**decades
    lines = sketch(Transfer.from_tf((a * b,), (1.0, a + b, a * b)))
    assert max(map(len, lines)) <= 80
    assert lines[-1].split()


def test_the_other_signs_stand_where_the_dots_were():
    lines = sketch(Transfer.from_tf((1.0,), (1.0, 1.0)))
    plain = ascii_dots("\n".join(lines))
    plain.encode("ascii")
    for line, drawn in zip(lines, plain.splitlines(), strict=True):
        assert [c == " " for c in line] == [c == " " for c in drawn]


def test_portions_and_counters_make_one_whole():
    seen = []
    whole = lambda done, total: seen.append(done / total)  # noqa: E731
    first, second = portion(whole, 0.0, 0.25), portion(whole, 0.25, 1.0)
    for tick in (counter(first, 2), counter(second, 3)):
        for _ in range(4):  # more than announced never goes beyond the end
            tick()
    assert seen == sorted(seen)
    assert seen[1] == 0.25
    assert seen[-1] == 1.0
    assert portion(None, 0, 1) is None


def test_realise_tells_its_progress():
    seen = []
    synth.realise("lowpass", 1e3, order=4, top=2, progress=lambda *x: seen.append(x))
    shares = [done / total for done, total in seen]
    assert shares == sorted(shares)
    assert shares[-1] == 1.0
    assert len(set(shares)) > 5


def test_quiet_says_nothing_but_writes(tmp_path, capsys):
    file = tmp_path / "other.cir"
    assert run(["transform", NOTCH_DECK, "swap", "-o", str(file), "--quiet"]) == 0
    assert capsys.readouterr() == ("", "")
    assert file.read_text()
    assert run(["analyse", NOTCH_DECK, "--quiet", "--json"]) == 0
    assert json.loads(capsys.readouterr().out)
    assert run(["analyse", "no-such-stage", "--quiet"]) == 2
    assert capsys.readouterr().err.startswith("synth: ")


def on_a_terminal(*arguments, **environment):
    """Run the command with a pseudo-terminal as standard output and error; return what it shows."""
    master, slave = pty.openpty()
    process = subprocess.Popen(
        [sys.executable, "-c", RUN, *arguments],
        stdout=slave,
        stderr=slave,
        env={**ENVIRONMENT, **environment},
    )
    os.close(slave)
    shown = io.BytesIO()
    while True:
        try:
            piece = os.read(master, 65536)
        except OSError:  # how Linux says that the other side is closed
            break
        if not piece:
            break
        shown.write(piece)
    os.close(master)
    assert process.wait() == 0
    return shown.getvalue().decode()


def test_cautions_stand_out_unless_no_color():
    check = ("check", NOTCH_DECK, "--op-amp", "general-purpose")
    coloured = on_a_terminal(*check)
    assert "\x1b[" in coloured
    for environment in ({"NO_COLOR": "1"}, {"TERM": "dumb"}):
        plain = on_a_terminal(*check, **environment)
        assert "\x1b[" not in plain
        assert "!  U2" in plain


def test_long_work_shows_its_progress_on_a_terminal_only():
    order = ("realise", "lowpass", "--order", "6", "--at", "1kHz", "--top", "3")
    shown = on_a_terminal(*order)
    assert "s left" in shown
    assert "s left" not in on_a_terminal(*order, "--quiet")
    done = subprocess.run(
        [sys.executable, "-c", RUN, *order], capture_output=True, text=True, env=ENVIRONMENT
    )
    assert done.stderr == ""


@pytest.mark.parametrize(
    ("words", "offered"),
    [
        ("synth lift tow-thomas-lo", "tow-thomas-lowpass"),
        ("synth analyse khn", "khn"),
        ("synth transform a.cir sca", "scale-impedance="),
        ("synth derive a.cir --to high", "highpass-notch"),
        ("synth check a.cir --op-amp rail", "rail-to-rail-1mhz"),
        ("synth realise low", "lowpass"),
        ("synth realise lowpass --family che", "chebyshev"),
        ("synth exp", "explain"),
    ],
)
def test_the_shell_completes(words, offered):
    asked = {
        "_SYNTH_COMPLETE": "bash_complete",
        "COMP_WORDS": words,
        "COMP_CWORD": str(len(words.split()) - 1),
    }
    done = subprocess.run(
        [sys.executable, "-c", RUN], capture_output=True, text=True, env={**ENVIRONMENT, **asked}
    )
    assert any(offered in line for line in done.stdout.splitlines()), done.stdout


def test_help_tells_the_exit_statuses(capsys):
    assert run(["--help"]) == 0
    shown = capsys.readouterr().out
    for status in ("0", "2", "70", "130"):
        assert f"\n  {status} " in shown
    assert "_SYNTH_COMPLETE=bash_source" in shown
