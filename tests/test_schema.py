"""The schema file describes every answer and every saved design, and nothing besides."""

import copy
import json
from importlib.resources import files

import jsonschema
import numpy as np
import pytest

from synth.catalog import names, stage
from synth.cli.main import run
from synth.errors import FormatError
from synth.network.deck_reader import read_deck
from synth.realisation.circuit import read_circuit
from synth.realisation.design import Design
from synth.realisation.saved import VERSION, design_text, read_design
from synth.target import response_target
from synth.transform.cascade import cascade
from synth.transform.drive import Swap
from synth.transform.impedance import ImpedanceSwap

SCHEMA = json.loads(files("synth").joinpath("schema.json").read_text(encoding="utf-8"))
VALIDATOR = jsonschema.Draft202012Validator(SCHEMA)

#: A single-supply front end: supplies, decoupling, a subcircuit of its own.
HYDROPHONE = """hydrophone front end
VCC vcc 0 5
VMID mid 0 2.5
VIN in mid AC 1
CD vcc 0 100n
R1 in a 10k
R2 a p 10k
C1 a out 22n
C2 p mid 10n
RL out mid 100k
XU1 p out vcc 0 out single_supply
.subckt single_supply plus minus vcc vee out
E1 out 0 plus minus 1e5
.ends
.end
"""


@pytest.fixture(scope="module")
def deck(tmp_path_factory):
    path = tmp_path_factory.mktemp("decks") / "hydrophone.cir"
    path.write_text(HYDROPHONE)
    return str(path)


def _answer(capsys, *arguments):
    assert run([*arguments, "--json"]) == 0
    answer = json.loads(capsys.readouterr().out)
    VALIDATOR.validate(answer)
    assert answer["command"] == arguments[0]
    return answer


def _objects(value, path=""):
    if isinstance(value, dict):
        if value.get("type") == "object":
            yield path, value
        for key, inner in value.items():
            yield from _objects(inner, f"{path}/{key}")
    elif isinstance(value, list):
        for k, inner in enumerate(value):
            yield from _objects(inner, f"{path}/{k}")


def test_the_schema_is_one():
    jsonschema.Draft202012Validator.check_schema(SCHEMA)
    assert SCHEMA["$defs"]["version"]["const"] == VERSION


@pytest.mark.parametrize(("path", "shape"), list(_objects(SCHEMA)))
def test_no_object_takes_unknown_keys(path, shape):
    if path.endswith("/names"):  # a mapping from names to names
        assert shape["additionalProperties"] == {"type": "string"}
    else:
        assert shape["additionalProperties"] is False
        assert shape["required"] == list(shape["properties"])


@pytest.mark.parametrize("name", names())
def test_analyse_every_stage(name, capsys):
    answer = _answer(capsys, "analyse", name)
    # the law of the terminals, from the answer alone
    rows = [t["numerator"] for t in answer["terminals"]]
    rest, size = np.array(answer["denominator"]) * -1, np.array(answer["denominator"])
    if answer["outputs"][0]["against"] is not None:  # both nodes rise
        rest = rest * 0
    assert answer["law_holds"]
    for row in rows:
        rest, size = np.polyadd(rest, row), np.polyadd(np.abs(size), np.abs(row))
    assert np.all(np.abs(rest) <= 1e-12 * size)
    assert answer["denominator"][0] == 1
    assert len(answer["modes"]) == stage(name).order


def test_analyse_deck(deck, capsys):
    answer = _answer(capsys, "analyse", deck, "--ground", "mid", "--keep-grounded", "RL")
    assert {t["at"] for t in answer["terminals"]} == {"input", "ground"}
    assert [t["held"] for t in answer["terminals"] if t["part"] == "RL"] == ["kept grounded"]


def test_analyse_without_values(tmp_path, capsys):
    path = tmp_path / "bare.json"
    path.write_text(design_text(Design(stage("sallen-key-lowpass-unity").network)))
    answer = _answer(capsys, "analyse", str(path))
    assert answer["numerator"] is None
    assert answer["symbolic"]["numerator"] == ["1"]
    assert all(t["symbolic"]["denominator"] for t in answer["terminals"])


@pytest.mark.parametrize("steps", [["swap"], ["rc-cr"], ["scale-frequency=2", "swap", "prune"]])
@pytest.mark.parametrize("name", ["sallen-key-lowpass-gain", "multiple-feedback-bandpass"])
def test_transform(name, steps, capsys):
    answer = _answer(capsys, "transform", name, *steps)
    assert [s["step"] for s in answer["steps"]] == [s.split("=")[0] for s in steps]
    assert (answer["sum"] is not None) == (steps == ["swap"])
    assert read_deck(answer["netlist"]).network.values


def test_split(capsys):
    answer = _answer(capsys, "split", "--at", "300Hz", "--at", "3kHz")
    assert answer["sum_is_one"] is True
    s = 2j * np.pi * 700.0
    total = sum(
        np.polyval(b["numerator"], s) / np.polyval(b["denominator"], s) for b in answer["bands"]
    )
    assert total == pytest.approx(1.0)


def test_tolerance_classes(capsys):
    answer = _answer(
        capsys, "tolerance", "rc-lowpass", "--limit", "0.3dB", "--wanted-yield", "90%",
        "--samples", "300", "--points", "10",
    )  # fmt: skip
    assert [x["part"] for x in answer["classes"]["by_kind"]["tolerances"]] == ["R1", "C1"]


def test_realise_within_limits(capsys):
    answer = _answer(capsys, "realise", "lowpass", "--at", "1kHz", "--limit", "0.5dB", "--top", "1")
    (found,) = answer["realisations"]
    assert found["mask_excess_db"] < 0
    assert 0 < found["yield"]["value"] <= 1


def test_realise(capsys):
    answer = _answer(capsys, *["realise", "lowpass", "--at", "1kHz", "--order", "1", "--top", "2"])
    first = answer["realisations"][0]
    assert read_deck(first["netlist"]).network.values == {
        p["name"]: p["value"] for p in first["parts"]
    }


@pytest.mark.parametrize("name", ["rc-lowpass", "twin-t-notch-gain", "state-variable-notch"])
def test_check(name, capsys):
    answer = _answer(capsys, "check", name, "--op-amp", "rail-to-rail-1mhz", "--supply", "0:5")
    single = answer["figures"]["single_supply"]
    if answer["figures"]["op_amps"]:
        assert single["reference_v"] == pytest.approx(2.5)
    else:
        assert single is None  # no op amp, no rails
    assert {f["severity"] for f in answer["findings"]} <= {"note", "caution", "serious"}
    assert read_deck(answer["predistortion"]["netlist"]).network.values


def test_realise_with_an_op_amp(capsys):
    options = ["--at", "1kHz", "--order", "1", "--top", "2", "--op-amp", "jfet-10mhz"]
    answer = _answer(capsys, "realise", "lowpass", *options)
    assert [c["number"] for c in answer["ranking"]["circuits"]][:2] == [1, 2]
    ideal = _answer(capsys, "realise", "lowpass", *options[:-2])
    assert set(ideal["ranking"]) == {"order", "explanation"}


@pytest.mark.parametrize("name", ["sallen-key-lowpass-unity", "fliege-notch", "resistive-divider"])
def test_tolerance(name, capsys):
    """A notch has responses of minus infinity, a divider no sections."""
    limits = ["--limit", "1dB", "--phase", "--temperature", "-10:50"]
    answer = _answer(capsys, "tolerance", name, "--samples", "200", "--points", "21", *limits)
    count = len(answer["frequencies"])
    assert all(len(p["db"]) == count for p in answer["percentiles"])
    assert [p["name"] for p in answer["sensitivities"]] == list(stage(name).example)
    assert answer["yield"]["low"] <= answer["yield"]["value"] <= answer["yield"]["high"]
    plain = _answer(capsys, "tolerance", name, "--samples", "200", "--no-corners")
    assert plain["worst_case"] is plain["yield"] is None


@pytest.mark.parametrize("name", ["sallen-key-lowpass-unity", "fliege-notch", "resistive-divider"])
def test_values(name, capsys):
    """A divider has no pole frequency, and no capacitors."""
    answer = _answer(capsys, "values", name, "--resistors", "E24", "--top", "2", "--pareto")
    assert {p["name"] for p in answer["parts"]} == set(stage(name).example)
    assert read_deck(answer["netlist"]).network.values == {
        p["name"]: p["value"] for p in answer["parts"]
    }
    wanted = ["--target", "lowpass", "--at", "1kHz"]
    if name == "sallen-key-lowpass-unity":
        assert _answer(capsys, "values", name, *wanted, "--pair", "R1")["floor_reached"]


@pytest.mark.parametrize("more", [(), ("--against-cascade", "--samples", "100")])
def test_ladder(more, capsys):
    answer = _answer(capsys, "ladder", "lowpass", "--order", "3", "--at", "1kHz", *more)
    assert (answer["comparison"] is None) == (not more)


def test_catalog_tree_and_sort(capsys):
    tree = _answer(capsys, "catalog", "--tree")
    assert tree["counts"]["base"] == len(tree["tree"])
    sizes = [s["parts"] for s in _answer(capsys, "catalog", "--sort", "parts")["stages"]]
    assert sizes == sorted(sizes)
    asked = ["catalog", "--kind", "bandstop", "--op-amps", "1"]
    named = {s["name"] for s in _answer(capsys, *asked)["stages"]}
    derived = _answer(capsys, *asked, "--derived", "--sort", "q-sensitivity")["stages"]
    assert named < {s["name"] for s in derived}
    assert all(s["op_amps"] == 1 and "bandstop" in s["kinds"] for s in derived)
    assert all(s["base"] and s["steps"] for s in derived if s["name"] not in named)
    assert all(s["base"] is None for s in _answer(capsys, "catalog", "--base")["stages"])
    shown = _answer(capsys, "catalog", "multiple-feedback-bandpass")["stage"]
    assert shown["published_design"]
    assert shown["designs"]


def test_draw(deck, capsys, tmp_path):
    answer = _answer(capsys, "draw", deck, "--ground", "mid")
    assert {t["mark"] for t in answer["terminals"]} == {"source", "reference"}
    file = str(tmp_path / "notch.svg")
    answer = _answer(capsys, "draw", "sallen-key-lowpass-gain", "lift=C2.2:0.3", "-o", file)
    assert answer["svg"] is None
    assert answer["splits"]


@pytest.mark.parametrize("name", ["sallen-key-lowpass-unity", "twin-t-notch-gain", "rc-lowpass"])
def test_parts_netlist_and_plots(name, capsys):
    answer = _answer(capsys, "parts", name)
    listed = sorted(n for g in answer["groups"] for n in g["parts"])
    network = stage(name).network
    assert listed == sorted([*stage(name).example, *(u.name for u in network.op_amps)])
    text = _answer(capsys, "netlist", name, "--op-amp", "general-purpose", "--spread")["netlist"]
    assert read_deck(text).network.values == stage(name).circuit().values
    for figure in ("magnitude", "poles", "noise"):
        made = _answer(capsys, "plot", name, "--figure", figure, "--samples", "50")["figure"]
        assert made["name"] == figure
        assert made["panels"] or made["bars"]


def test_report(capsys):
    names_ = ["sallen-key-lowpass-unity", "integrator-inverting"]
    answer = _answer(capsys, "report", *names_, "--samples", "50")
    assert [c["circuit"] for c in answer["circuits"]] == names_
    assert answer["circuits"][0]["zeros"][0]["kind"] == "structural"
    assert answer["made_by"].startswith(
        "synth report sallen-key-lowpass-unity integrator-inverting"
    )
    assert _answer(capsys, "report", names_[0], "--samples", "50")["comparison"] is None


def test_catalog(capsys):
    assert [s["name"] for s in _answer(capsys, "catalog")["stages"]] == list(names())
    listed = _answer(capsys, "catalog", "--kind", "allpass", "--order", "2")["stages"]
    assert listed
    assert all("allpass" in s["kinds"] and s["order"] == 2 for s in listed)
    assert _answer(capsys, "catalog", "twin-t")["stage"]["source"] == stage("twin-t").source


# -- saved designs ---------------------------------------------------------------------------------


def _derived():
    stages = [stage("sallen-key-lowpass-unity").circuit(), stage("twin-t").circuit()]
    chain = cascade(stages, buffer_last=True)
    mirrored, second = ImpedanceSwap().apply(chain.network)
    swapped, third = Swap("1").apply(mirrored)
    return Design(
        swapped,
        response_target("bandpass", 50.0, order=4, q=3.0, family="elliptic"),
        (chain.step, second, third),
    )


def _single_supply():
    return Design(read_deck(HYDROPHONE, ground="mid", keep_grounded=["RL"]).network)


@pytest.mark.parametrize("make", [_derived, _single_supply])
def test_saved_design_comes_back(make):
    design = make()
    text = design_text(design)
    VALIDATOR.validate(json.loads(text))
    assert read_design(text) == design
    assert design_text(read_design(text)) == text


@pytest.mark.parametrize("kind", ["lowpass", "highpass", "bandpass", "bandstop", "allpass"])
def test_every_kind_of_target_comes_back(kind):
    width = {"q": 2.0} if kind in ("bandpass", "bandstop") else {}
    target = response_target(kind, 1234.5, family="chebyshev", order=6, **width)
    design = Design(stage("rc-lowpass").circuit(), target)
    assert read_design(design_text(design)).target == target


@pytest.mark.parametrize("name", names())
def test_every_stage_comes_back(name):
    design = read_circuit(name).design
    assert read_design(design_text(design)) == design


def _places(value, path=()):
    yield path, value
    items = value.items() if isinstance(value, dict) else enumerate(value)
    for key, inner in items:
        if isinstance(inner, dict | list):
            yield from _places(inner, (*path, key))


def _written(path):
    text = ""
    for key in path:
        text += f"[{key}]" if isinstance(key, int) else f".{key}" if text else key
    return text


SAVED = json.loads(design_text(_derived())) | {}
OBJECTS = [
    path
    for path, value in _places(SAVED)
    if isinstance(value, dict) and path[-1:] not in (("arguments",), ("map",))
]


@pytest.mark.parametrize("path", OBJECTS, ids=lambda p: _written(p) or "top")
def test_unknown_and_missing_keys_are_refused_by_their_path(path):
    for change in ("add", "drop"):
        data = copy.deepcopy(SAVED)
        place = data
        for key in path:
            place = place[key]
        if change == "add":
            key = "colour"
            place[key] = "red"
        else:
            key = next(iter(place))
            del place[key]
        text = json.dumps(data)
        with pytest.raises(FormatError) as caught:
            read_design(text)
        assert f"key {_written((*path, key))} " in str(caught.value)
        with pytest.raises(jsonschema.ValidationError):
            VALIDATOR.validate(data)


@pytest.mark.parametrize(
    ("change", "word"),
    [
        (("schema", 2), "schema"),
        (("schema", True), "schema"),
        (("design", None), "design"),
        (("design", []), "design"),
    ],
)
def test_wrong_values_at_the_top(change, word):
    data = copy.deepcopy(SAVED) | dict([change])
    with pytest.raises(FormatError, match=word):
        read_design(json.dumps(data))


@pytest.mark.parametrize(
    ("key", "value"),
    [
        ("kind", "transistor"),
        ("nodes", ["a"]),
        ("nodes", "ab"),
        ("value", "10k"),
        ("value", -1.0),
        ("value", 0),
        ("value", True),
        ("value", 10**400),
        ("name", 7),
    ],
)
def test_wrong_branches(key, value):
    data = copy.deepcopy(SAVED)
    data["design"]["network"]["branches"][0][key] = value
    with pytest.raises(FormatError, match=r"design\.network"):
        read_design(json.dumps(data))


@pytest.mark.parametrize(
    "text", ["", "[]", "{", '{"schema": 1, "schema": 1}', '{"schema": NaN}', "[" * 100000]
)
def test_text_that_is_no_design(text):
    with pytest.raises(FormatError):
        read_design(text)
