"""The library in a few lines, as a user writes them."""

import inspect
import math

import numpy as np
import pytest
from scipy import signal

import synth
from synth.errors import FormatError, TargetError, TransformError

LOWPASS = """hydrophone anti-alias
VIN in 0 AC 1
R1 in a 10k
R2 a p 10k
C1 a out 22n
C2 p 0 10n
XU1 p out out opamp
.end
"""


@pytest.fixture
def lowpass():
    return synth.read(LOWPASS)


def test_every_name_is_there_and_documented():
    for name in synth.__all__:
        assert inspect.getdoc(getattr(synth, name)), name
        assert name in dir(synth)


def test_no_name_hides_a_room():
    rooms = {m for m in dir(synth) if inspect.ismodule(getattr(synth, m))}
    assert not rooms & set(synth.__all__)


def test_unknown_name():
    with pytest.raises(AttributeError, match="swop"):
        _ = synth.swop


def test_no_argument_soup():
    for name in synth.__all__:
        value = getattr(synth, name)
        if inspect.isfunction(value):
            kinds = {p.kind for p in inspect.signature(value).parameters.values()}
            assert not kinds & {inspect.Parameter.VAR_KEYWORD, inspect.Parameter.VAR_POSITIONAL}


def test_complement_in_three_lines(lowpass):
    """H + H' = 1 at any frequency (Hilberman, IEEE Trans. CT-20 (1973) 540-547)."""
    complement = synth.swap(lowpass)
    s = 2j * np.pi * np.geomspace(1, 1e6, 50)
    total = synth.analyse(lowpass).H(s) + synth.analyse(complement).H(s)
    assert np.abs(total - 1).max() < 1e-12
    assert synth.analyse(complement).modes == synth.analyse(lowpass).modes


def test_analysis_agrees_with_the_textbook_formula(lowpass):
    """Sallen-Key, unity gain: w0^2 = 1/(R1 R2 C1 C2), w0/Q = (R1 + R2)/(R1 R2 C1)."""
    wanted = signal.TransferFunction(
        [1], [1e4 * 1e4 * 22e-9 * 10e-9, 10e-9 * (1e4 + 1e4), 1]
    ).to_zpk()
    z, p, k = synth.analyse(lowpass).H.zpk()
    assert len(z) == 0
    assert np.sort_complex(p) == pytest.approx(np.sort_complex(wanted.poles), rel=1e-9)
    assert k == pytest.approx(wanted.gain, rel=1e-9)


def test_transformations(lowpass):
    h = synth.analyse(lowpass).H
    s = 2j * math.pi * 700.0
    assert synth.analyse(synth.scale_frequency(lowpass, 2.0)).H(2 * s) == pytest.approx(h(s))
    assert synth.analyse(synth.scale_impedance(lowpass, 10.0)).H(s) == pytest.approx(h(s))
    w0 = 2 * math.pi * 1e3
    assert synth.analyse(synth.rc_cr(lowpass, 1e3)).H(s) == pytest.approx(h(w0 * w0 / s))
    assert synth.swap(synth.swap(lowpass)).branches == lowpass.branches
    with pytest.raises(TransformError, match="positive"):
        synth.scale_impedance(lowpass, 0.0)


def test_apply_gives_the_step(lowpass):
    from synth.transform.drive import Swap

    network, step = synth.apply(lowpass, Swap())
    assert network == synth.swap(lowpass)
    assert step.name == "swap"


def test_reading_from_everywhere(lowpass, tmp_path):
    path = tmp_path / "hydrophone.cir"
    path.write_text(synth.write_deck(lowpass))
    assert synth.read(path).branches == synth.read(str(path)).branches == lowpass.branches
    synth.save(lowpass, tmp_path / "hydrophone.json")
    assert synth.read(tmp_path / "hydrophone.json") == lowpass
    assert synth.read("twin-t").branches == synth.stage("twin-t").circuit().branches
    assert synth.read(LOWPASS, output="a", keep_grounded=["C2"]).held == {"C2"}


def test_save_and_load(lowpass, tmp_path):
    design = synth.Design(lowpass, synth.target_for("lowpass", "1kHz"))
    synth.save(design, tmp_path / "d.json")
    assert synth.load(tmp_path / "d.json") == design
    with pytest.raises(FormatError, match=r"d\.json"):
        synth.save(design, tmp_path / "nowhere" / "d.json")
    assert [p.name for p in tmp_path.iterdir()] == ["d.json"]


def test_targets():
    assert synth.target_for("lowpass", "1kHz") == synth.target_for("lowpass", 1000.0)
    text = synth.target_from_text("1/(s^2 + sqrt(2)*s + 1)", "1kHz")
    b, a = signal.butter(2, 2 * math.pi * 1e3, analog=True)
    s = 2j * math.pi * np.geomspace(10, 1e5, 20)
    assert text.transfer(s) == pytest.approx(np.polyval(b, s) / np.polyval(a, s), rel=1e-9)
    given = synth.target_from_transfer(synth.Transfer.from_tf(b, a), complement=True)
    assert given.kind == "highpass"


def test_realise_a_first_order_section():
    found = synth.realise("lowpass", "1kHz", order=1, top=2, resistors=synth.Shelf("E24", 1e3, 1e5))
    assert len(found) == 2
    for r in found:
        assert r.error_db < 1
        assert synth.analyse(r.network).numbers.feedback.negative
    same = synth.realise(
        synth.target_for("lowpass", 1e3, order=1),
        top=2,
        resistors=synth.Shelf("E24", 1e3, 1e5),
    )
    assert [r.network for r in same] == [r.network for r in found]


def test_realise_takes_a_target_or_its_arguments():
    target = synth.target_for("lowpass", 1e3)
    with pytest.raises(TargetError, match="complete"):
        synth.realise(target, order=4)
    with pytest.raises(TargetError, match="frequency"):
        synth.realise("lowpass")
