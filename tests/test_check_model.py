"""Op-amp models: classes, files, inline lists, and what is refused."""

from __future__ import annotations

from math import inf, pi
from pathlib import Path

import pytest

from synth.checking.model import PAIRS, SHORT, model_names, models, op_amp_model
from synth.checking.model import read_model as read
from synth.checking.model_fields import FIELD_UNITS
from synth.errors import FormatError, NumberError, SynthError

CLASSES = {
    "general-purpose": 1e6,
    "jfet-10mhz": 1e7,
    "low-noise-10mhz": 1e7,
    "rail-to-rail-1mhz": 1e6,
    "rail-to-rail-10mhz": 1e7,
    "fast-50mhz": 5e7,
}


def test_the_classes_and_their_gain_bandwidths() -> None:
    assert {m.name: m.gain_bandwidth for m in models()} == CLASSES
    assert set(model_names()) == set(CLASSES)


@pytest.mark.parametrize("name", sorted(CLASSES))
def test_a_class_says_that_it_is_invented(name: str) -> None:
    import synth.checking

    text = (Path(synth.checking.__file__).parent / "models" / f"{name}.toml").read_text()
    assert "invented" in text
    model = op_amp_model(name)
    low, high = model.output_range
    assert model.supply_negative < low < high < model.supply_positive
    rail_to_rail = name.startswith("rail")
    assert (model.common_mode_range[1] > model.supply_positive) is rail_to_rail
    assert model.amplifier.gain_bandwidth == pytest.approx(2 * pi * CLASSES[name])


def test_the_inline_list_of_the_issue() -> None:
    model = op_amp_model("gbw=1M,a0=200k,offset=1m,swing=13")
    assert (model.gain_bandwidth, model.dc_gain, model.offset) == (1e6, 2e5, 1e-3)
    assert model.output_range == (-13.0, 13.0)


def test_every_short_key_sets_its_field() -> None:
    for key, field in SHORT.items():
        value = {"vcc": "14", "vee": "-14", "a0": "3k"}.get(key, "7m")
        if key in ("gbw", "p2"):
            value = "5M"
        model = op_amp_model(f"{key}={value}")
        long = op_amp_model(f"{field}={value}")
        assert getattr(model, field) == getattr(long, field) != getattr(models()[1], field)


def test_pairs_are_about_the_middle() -> None:
    model = op_amp_model("swing=2,cm=1.5,vcc=5,vee=0")
    assert model.output_range == (0.5, 4.5)
    assert model.common_mode_range == (1.0, 4.0)
    assert model.middle == 2.5
    assert set(PAIRS) == {"supply", "swing", "cm"}


def test_units_and_prefixes() -> None:
    model = op_amp_model(
        "en=18nV/sqrt(Hz),in=0.4 pA/sqrt(Hz),slew=0.5V/us,ib=80nA,p2=inf,rout=75ohm,gbw=1.5MHz"
    )
    assert model.noise_voltage == pytest.approx(18e-9)
    assert model.noise_current == pytest.approx(0.4e-12)
    assert model.slew_rate == pytest.approx(5e5)
    assert model.bias_current == pytest.approx(80e-9)
    assert model.second_pole == inf
    assert model.output_resistance == 75
    assert model.gain_bandwidth == 1.5e6


def test_the_second_pole_follows_the_gain_bandwidth() -> None:
    start = op_amp_model("general-purpose")
    assert op_amp_model("gbw=4M").second_pole == pytest.approx(4 * start.second_pole)
    assert op_amp_model("gbw=4M,p2=9M").second_pole == 9e6
    assert start.with_gain_bandwidth(0.7).second_pole == pytest.approx(0.7 * start.second_pole)


def test_a_list_may_start_from_another_class() -> None:
    model = op_amp_model("class=jfet-10mhz,offset=2m")
    assert model.bias_current == op_amp_model("jfet-10mhz").bias_current
    assert model.offset == 2e-3


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("no-such", "no op-amp class and no file"),
        ("gbw=", "key=value"),
        ("gbw=1M,,", "key=value"),
        ("foo=1", "no key 'foo'"),
        ("gbw=1M,gain_bandwidth=2M", "twice"),
        ("gbw=-1M", "positive"),
        ("gbw=1e999", "number"),
        ("a0=0.5", "at least 1"),
        ("a0=inf", "must be finite"),
        ("a0=1e12", "at most 1e[+]09"),
        ("p2=1", "hundredth"),
        ("gbw=1M,p2=9k", "111 times below"),
        ("supply=1e9", "at most 1000"),
        ("slew=1e30", "slew_rate"),
        ("gbw=1e-9", "at least 0.001"),
        ("offset=nan", "not a number"),
        ("offset=1A", "offset"),
        ("en=1V", "noise_voltage"),
        ("ib=1 nV/sqrt(Hz)", "bias_current"),
        ("en=-1n", "not negative"),
        ("rout=inf", "output_resistance"),
        ("vcc=-20", "below supply_positive"),
        ("swing=20", "swing=20 is more than the rails"),
        ("supply=15,vcc=12", "same thing"),
        ("swing_to_positive=20,swing_to_negative=20", "no output swing"),
        ("class=none-such,gbw=1M", "no op-amp class"),
        ("class=gbw=1,offset=2", "is no class"),
        ("\0=1", "no key"),
        ("x" * 5000, "no op-amp class"),
    ],
)
def test_bad_models_are_refused_in_one_sentence(text: str, words: str) -> None:
    with pytest.raises((FormatError, NumberError), match=words) as caught:
        op_amp_model(text)
    assert "\n" not in str(caught.value)


# -- files -----------------------------------------------------------------------------------------


def text_of(**changes: str | None) -> str:
    values: dict[str, str | None] = dict.fromkeys(FIELD_UNITS, '"1"')
    values |= {"supply_negative": "-15", "supply_positive": "15", "dc_gain": '"100k"'}
    values |= changes
    return "\n".join(f"{k} = {v}" for k, v in values.items() if v is not None)


def test_a_file_is_read_with_its_own_name(tmp_path: Path) -> None:
    path = tmp_path / "buoy_amplifier.toml"
    path.write_text(text_of(gain_bandwidth='"3 MHz"', second_pole=None, remark='"from a bench"'))
    model = op_amp_model(str(path))
    assert model.name == "buoy_amplifier"
    assert model.gain_bandwidth == 3e6
    assert model.second_pole == inf
    path.write_text(text_of(name='"wave sensor"'))
    assert read(path).name == "wave sensor"


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("gain = ", "not valid TOML"),
        (text_of(brand='"x"'), "unknown key brand"),
        (text_of(dc_gain=None, offset=None), "no value for dc_gain, offset"),
        (text_of(gain_bandwidth="true"), "gain_bandwidth must be a number"),
        (text_of(gain_bandwidth="[1]"), "gain_bandwidth must be a number"),
        (text_of(gain_bandwidth="nan"), "must be positive"),
        (text_of(offset='"1 F"'), "offset"),
        (text_of(name="3"), "name must be text"),
        (text_of(name='"a\\nb"'), "one line"),
        ("#" * 200_000, "longer than"),
    ],
)
def test_bad_files_are_refused(tmp_path: Path, text: str, words: str) -> None:
    path = tmp_path / "bad.toml"
    path.write_text(text)
    with pytest.raises(SynthError, match=words) as caught:
        op_amp_model(str(path))
    assert "bad.toml" in str(caught.value)


def test_a_file_that_is_no_text_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "bad.toml"
    path.write_bytes(b"\xff\xfe\x00")
    with pytest.raises(FormatError, match="not valid TOML"):
        op_amp_model(str(path))
