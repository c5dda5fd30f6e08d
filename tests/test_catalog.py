"""The catalogue: every claim of every stage, checked without the code that checks it at load.

The published H(s) of a stage is compared with modified nodal analysis written here (nullor model,
one current unknown for each op-amp output; H. J. Carlin, IEEE Trans. CT-11 (1964) 67-72), exactly
with polynomials, and numerically for the mutants.
"""

from __future__ import annotations

import json
import os
import random
import re
import tomllib
from collections.abc import Iterator
from copy import deepcopy
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from sympy import QQ
from sympy.polys.matrices import DomainMatrix

from synth import catalog
from synth.analysis.bias import inputs_without_dc_path
from synth.analysis.feedback import feedback
from synth.analysis.loop import analyse
from synth.catalog import catalog_folder, load_stage, stage, stage_files, stages
from synth.claims import STAGE_KINDS, Residue, kind_of, sign_of
from synth.cli.main import run
from synth.errors import CatalogError, StageWarning
from synth.report.catalog import statements_of
from synth.transfer.expression import parse

FILES = stage_files(catalog_folder(Path(catalog.__file__).resolve().parent))
every_file = pytest.mark.parametrize("path", FILES.values(), ids=FILES)
Data = dict[str, Any]


def data_of(path: Path) -> Data:
    """A stage file; of a derived stage the graph its steps make, written out."""
    data = tomllib.loads(path.read_text(encoding="utf-8"))
    if "base" in data:
        network = stage(path.stem).network
        for key in ("base", "steps", "renamed"):
            data.pop(key, None)
        data["parts"] = [[b.name, *b.nodes] for b in network.branches]
        data["op_amps"] = [[u.name, u.plus, u.minus, u.out] for u in network.op_amps]
        data["input"], data["output"] = network.input, network.reading.written
    return data


# -- independent nodal analysis --------------------------------------------------------------------


def read_at(data: Data) -> list[tuple[str, int]]:
    """The nodes of the output with their signs: the second of two is subtracted."""
    return list(zip(data.get("output", "out").split(","), (1, -1), strict=False))


def nodal_rows(
    data: Data, admittance: dict[str, Any], one: Any
) -> tuple[list[list[Any]], dict[str, int]]:
    """Modified nodal equations [A | b], source of 1 V at the input, and the nodes' columns."""
    source = data.get("input", "in")
    touched = {n for _, *nodes in (*data["parts"], *data["op_amps"]) for n in nodes}
    nodes = sorted(touched | {n for n, _ in read_at(data)}, key=str)
    nodes = [n for n in nodes if n not in ("0", source)]
    column = {n: k for k, n in enumerate(nodes)}
    size = len(nodes) + len(data["op_amps"])
    zero = one - one
    rows = [[zero] * (size + 1) for _ in range(size)]

    def put(row: int, node: str, value: Any) -> None:
        if node == source:
            rows[row][size] -= value
        elif node != "0":
            rows[row][column[node]] += value

    for name, a, b in data["parts"]:
        y = admittance[name]
        for here, there in ((a, b), (b, a)):
            if here in column:
                put(column[here], here, y)
                put(column[here], there, -y)
    for k, (_, plus, minus, output) in enumerate(data["op_amps"]):
        if output in column:
            rows[column[output]][len(nodes) + k] += one
        put(len(nodes) + k, plus, one)
        put(len(nodes) + k, minus, -one)
    return rows, column


def exact_transfer(data: Data, seed: int) -> tuple[Any, Any, Any, dict[str, Any]]:
    """Return N, D (exact polynomials in s), their ring, and s and the random part values."""
    ring = QQ["s"]
    (s,) = ring.gens
    draw = random.Random(seed)
    values = {p[0]: QQ(draw.randint(1, 10**9), draw.randint(1, 10**9)) for p in data["parts"]}
    y = {n: ring.convert(v) * s if n[0] == "C" else ring.convert(1 / v) for n, v in values.items()}
    rows, column = nodal_rows(data, y, ring.one)
    shape = (len(rows), len(rows))
    whole = DomainMatrix([row[:-1] for row in rows], shape, ring).det()
    top = ring.zero
    for node, sign in read_at(data):
        if node not in column:  # the source itself
            top += sign * whole
            continue
        k = column[node]
        b = [[*row[:k], row[-1], *row[k + 1 : -1]] for row in rows]
        top += sign * DomainMatrix(b, shape, ring).det()
    known = {"s": s, **{n: ring.convert(v) for n, v in values.items()}}
    return top, whole, ring, known


def numeric_transfer(data: Data, s: complex, values: dict[str, float]) -> complex:
    """Return H(s), or infinity where the equations have no unique solution."""
    y = {n: s * v if n[0] == "C" else 1 / v for n, v in values.items()}
    rows, column = nodal_rows(data, y, 1.0 + 0j)
    matrix = np.array(rows)
    if np.linalg.matrix_rank(matrix[:, :-1]) < len(rows):
        return complex("inf")
    v = np.linalg.solve(matrix[:, :-1], matrix[:, -1])
    return complex(sum(x * (v[column[n]] if n in column else 1) for n, x in read_at(data)))


# -- the claims of every stage ---------------------------------------------------------------------


def test_there_are_enough_stages_and_all_load() -> None:
    assert len(stages()) >= 109
    assert [s.name for s in stages()] == sorted(FILES)


@every_file
def test_published_transfer_and_order_hold_by_independent_analysis(path: Path) -> None:
    """Exact polynomials in s at random rational part values, three draws: a wrong H agrees at
    one with a probability below 1e-7."""
    data = data_of(path)
    for seed in range(3):
        n, d, ring, values = exact_transfer(data, seed)
        field = ring.get_field()

        def number(x: Fraction | float, field: Any = field) -> Any:
            return field.convert(QQ(Fraction(x).numerator, Fraction(x).denominator))

        given = {name: field.convert(v) for name, v in values.items()}
        published = parse(data["H"], given).evaluate(given, number)
        assert field.convert(n) / field.convert(d) == published
        assert data["order"] == max(m[0] for m in d.monoms())


@every_file
def test_sources_kinds_and_names_are_given(path: Path) -> None:
    s = stage(path.stem)
    assert re.search(r"[A-Z]\. ?[A-Z]?\.? ?[A-Z][a-z]+|common practice", s.source)
    assert re.search(r"\b(18|19|20)\d\d\b", s.source)  # the year
    assert set(s.kinds) <= set(STAGE_KINDS)
    assert s.title
    assert s.title[0].isupper()
    assert re.fullmatch(r"[a-z0-9]+(-[a-z0-9]+)*", s.name)
    assert s.name not in s.names


@every_file
def test_example_circuits_are_sound(path: Path) -> None:
    s = stage(path.stem)
    for kind in s.kinds:
        circuit = s.circuit(kind)
        assert feedback(analyse(circuit)).negative
        assert inputs_without_dc_path(circuit) == ()


def test_example_values_are_preferred() -> None:
    """IEC 60063: resistors from E24 or E96, capacitors from E24."""
    tables = json.loads(
        (Path(__file__).parent / "published" / "published_tables.json").read_text(encoding="utf-8")
    )["iec_60063"]
    e24 = {10 * x for x in tables["E24"]}
    allowed = {"R": e24 | set(tables["E96"]), "C": e24}
    for s in stages():
        for kind in s.kinds:
            for name, value in s.circuit(kind).values.items():
                digits = int(f"{value:.2e}"[:4].replace(".", ""))
                assert digits in allowed[name[0]], f"{s.name}: {name} = {value}"
                assert float(f"{value:.2e}") == value, f"{s.name}: {name} = {value}"


@every_file
def test_the_kind_shows_in_the_measured_response(path: Path) -> None:
    """The ends and the middle of |H|, by the numeric analysis of this file."""
    s, data = stage(path.stem), data_of(path)
    checks = {
        "lowpass": lambda h: abs(h[0]) > 0 and abs(h[-1]) < 1e-3 * abs(h[0]),
        "highpass": lambda h: abs(h[-1]) > 0 and abs(h[0]) < 1e-3 * abs(h[-1]),
        "bandpass": lambda h: max(abs(h[0]), abs(h[-1])) < 1e-2 * np.abs(h).max(),
        "bandstop": lambda h: np.abs(h).min() < 0.02 * min(abs(h[0]), abs(h[-1])),
        "lowpass-notch": lambda h: np.abs(h).min() < 0.02 * abs(h[-1]) < 0.02 * abs(h[0]),
        "highpass-notch": lambda h: np.abs(h).min() < 0.02 * abs(h[0]) < 0.02 * abs(h[-1]),
        "allpass": lambda h: np.ptp(np.abs(h)) < 0.1 * abs(h[0]) and np.ptp(np.angle(h)) > 1,
        "peaking": lambda h: (
            abs(h[0] - h[-1]) < 0.06 * abs(h[0]) and np.ptp(np.abs(h)) > 0.2 * abs(h[0])
        ),
        "shelving": lambda h: abs(abs(h[0]) - abs(h[-1])) > 0.05 * abs(h[0]) > 0,
        "gain": lambda h: np.ptp(np.abs(h)) < 0.06 * abs(h[0]),
        "integrator": lambda h: abs(h[0] / h[-1]) == pytest.approx(1e12, rel=1e-3),
        "differentiator": lambda h: abs(h[-1] / h[0]) == pytest.approx(1e12, rel=1e-3),
    }
    for kind in s.kinds:
        values = s.circuit(kind).values
        rates = [abs(p) for p in feedback(analyse(s.circuit(kind))).ideal if p] or [6283.0]
        w = np.geomspace(1e-6, 1e6, 121)
        if kind.endswith(("stop", "notch")):  # a notch is narrow
            w = np.sort(np.concatenate([w, np.geomspace(0.3, 3.3, 2401)]))
        w *= np.exp(np.mean(np.log(rates)))
        if kind != "general":
            h = np.array([numeric_transfer(data, 1j * x, values) for x in w])
            assert checks[kind](h), f"{kind} with {values}"


# -- mutants ---------------------------------------------------------------------------------------


def exchanged_parts(data: Data) -> Iterator[Data]:
    names = [p[0] for p in data["parts"]]
    for i in range(len(names)):
        for j in range(i):
            mutant = deepcopy(data)
            mutant["parts"][i][0], mutant["parts"][j][0] = names[j], names[i]
            yield mutant


def moved_nodes(data: Data, count: int) -> Iterator[Data]:
    rng = random.Random(data["name"])
    nodes = sorted({n for _, *pins in (*data["parts"], *data["op_amps"]) for n in pins})
    for _ in range(count if data["parts"] else 0):
        mutant = deepcopy(data)
        part = rng.choice(mutant["parts"])
        pin = rng.choice((1, 2))
        part[pin] = rng.choice([n for n in nodes if n not in part[1:]] or [part[pin]])
        yield mutant


def text_of(data: Data) -> str:
    """The stage as TOML; JSON's strings and lists are TOML's."""
    tables = {k: v for k, v in data.items() if isinstance(v, dict)}
    lines = [f"{k} = {json.dumps(v)}" for k, v in data.items() if k not in tables]
    variants = {f"variants.{k}": v for k, v in tables.pop("variants", {}).items()}
    for title, table in {**tables, **variants}.items():
        lines += [f"[{title}]", *(f"{k} = {json.dumps(v)}" for k, v in table.items())]
    return "\n".join(lines) + "\n"


def written(data: Data, folder: Path) -> Path:
    path = folder / f"{data['name']}.toml"
    path.write_text(text_of(data), encoding="utf-8")
    return path


def published_value(data: Data, s: complex, values: dict[str, float]) -> complex:
    given = {**values, "s": s}
    return complex(parse(data["H"], given).evaluate(given, lambda x: complex(float(x))))


@every_file
def test_mutants_with_another_transfer_are_refused(path: Path, tmp_path: Path) -> None:
    data = data_of(path)
    rng = random.Random(1973)
    values = {p[0]: rng.uniform(0.5, 2) for p in data["parts"]}
    s = complex(0.83, 1.37)
    want = published_value(data, s, values)
    assert numeric_transfer(data, s, values) == pytest.approx(want, rel=1e-9)
    others = 0
    for mutant in (*exchanged_parts(data), *moved_nodes(data, 12)):
        found = numeric_transfer(mutant, s, values)
        if abs(found - want) <= 1e-6 * abs(want):
            continue
        others += 1
        file = written(mutant, tmp_path)
        with pytest.raises(CatalogError, match=re.escape(str(file))):
            load_stage(file)
    assert others or len(data["parts"]) < 2


@every_file
def test_exchanged_amplifier_inputs_leave_h_alone_and_are_refused_by_the_feedback(
    path: Path, tmp_path: Path
) -> None:
    """Nullators have no direction, so only an amplifier with poles tells the inputs apart."""
    data = data_of(path)
    values = {p[0]: 1.0 + 0.1 * k for k, p in enumerate(data["parts"])}
    at = complex(0.83, 1.37)
    for k, (name, plus, minus, out) in enumerate(data["op_amps"]):
        mutant = deepcopy(data)
        mutant["op_amps"][k] = [name, minus, plus, out]
        assert numeric_transfer(mutant, at, values) == pytest.approx(
            numeric_transfer(data, at, values), rel=1e-9
        )
        with pytest.raises(CatalogError, match=rf"key op_amps: .*{name}.* positive feedback"):
            load_stage(written(mutant, tmp_path))


def test_an_example_whose_modes_grow_is_refused(tmp_path: Path) -> None:
    """Sallen-Key of equal parts: Q = 1/(3 - K), so that K = 3.2 grows."""
    data = deepcopy(GOOD_GAIN)
    data["conditions"] = []  # they would say it too
    data["example"] |= {"R1": "10k", "R2": "10k", "C1": "10n", "C2": "10n"}
    data["example"] |= {"RA": "10k", "RB": "22k"}
    with pytest.raises(CatalogError, match=r"key example: .* right half-plane"):
        load_stage(written(data, tmp_path))


DERIVED = {n: p for n, p in FILES.items() if "base = " in p.read_text(encoding="utf-8")}


def raw(path: Path) -> Data:
    return tomllib.loads(path.read_text(encoding="utf-8"))


def loaded(path: Path) -> tuple[Any, str]:
    try:
        return load_stage(path), ""
    except CatalogError as error:
        return None, str(error)


def mistaken_derivations(data: Data, network: Any) -> Iterator[Data]:
    """Two like parts under each other's name, one step the less, and another step."""
    names = {b.name: b.power for b in network.branches}
    back = {new: old for old, new in data.get("renamed", {}).items()}
    for a in names:
        for b in names:
            if a < b and names[a] == names[b]:
                renamed = {**data.get("renamed", {}), back.get(a, a): b, back.get(b, b): a}
                yield {**data, "renamed": renamed}
    for steps in (data["steps"][:-1], [*data["steps"], "swap"], ["rc-cr"], ["swap"]):
        yield {**data, "steps": steps}


@pytest.mark.parametrize("path", DERIVED.values(), ids=DERIVED)
def test_mistaken_derivations_are_refused_by_name(path: Path, tmp_path: Path) -> None:
    """A derivation that gives another H, or none; one that gives the same H may stand."""
    data = raw(path)
    rng = random.Random(1973)
    s, others = complex(0.83, 1.37), 0
    values = {b.name: rng.uniform(0.5, 2) for b in stage(path.stem).network.branches}
    want = published_value(data, s, values)
    for mutant in mistaken_derivations(data, stage(path.stem).network):
        file = written(mutant, tmp_path)
        found, complaint = loaded(file)
        if found is None:
            assert str(file) in complaint
            others += 1
            continue
        graph = {
            "parts": [[b.name, *b.nodes] for b in found.network.branches],
            "op_amps": [[u.name, u.plus, u.minus, u.out] for u in found.network.op_amps],
            "output": found.network.reading.written,
        }
        assert numeric_transfer(graph, s, values) == pytest.approx(want, rel=1e-6)
    assert others


GOOD_DERIVED = raw(FILES["fliege-notch"])


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"base": "fliege-bandpas"}, "did you mean fliege-bandpass"),
        ({"base": "fliege-bandpass"}, "key "),
        ({"base": 3}, "key base must be text"),
        ({"steps": []}, "key steps: there is none"),
        ({"steps": [3]}, "key steps: 3 must be text"),
        ({"steps": ["turn"]}, "key steps: turn: there is no step 'turn'"),
        ({"steps": ["lift=R9.1"]}, "key steps: lift=R9.1: R9.1 is no terminal"),
        ({"steps": ["cascade=nothing"]}, "no stage 'nothing'"),
        ({"steps": ["cascade=rc-lowpass"]}, "key "),
        ({"steps": ["output=nowhere"]}, "nowhere is no op-amp output"),
        ({"steps": ["pair-op-amps=U1.plus:o1"]}, "would not be joined as they were"),
        ({"renamed": {"R9": "R1"}}, "key renamed: the steps leave no part R9"),
        ({"renamed": {"R1": "C9"}}, "key renamed: R1 cannot be called C9"),
        ({"renamed": {"R1": ""}}, "key renamed: R1 must be text"),
        ({"renamed": {"R1": "R2"}}, "part R2 is defined twice"),
        ({"parts": []}, "unknown key parts; the keys of a derived stage"),
        ({"output": "mid"}, "unknown key output"),
        ({"design": {"R1": "Q/(w0*C)"}}, "key design: no equation for"),
        ({"design": {"R1": "Q/(w0*D)"}}, "key design: the name 'D' is unknown"),
    ],
)
def test_a_wrong_derivation_is_refused_with_its_name_and_key(
    change: Data, words: str, tmp_path: Path
) -> None:
    path = written({**GOOD_DERIVED, **change}, tmp_path)
    with pytest.raises(CatalogError, match=f"{re.escape(str(path))}.*{words}"):
        load_stage(path)


WRONG_DESIGNS = [
    ("multiple-feedback-bandpass", {"R2": "3*Q/(w0*C)"}, "the equations give "),
    ("multiple-feedback-bandpass", {"R3": "-Q/(w0*C)"}, "out of reach at each of the points .*R3"),
    ("multiple-feedback-bandpass", {"R3": "sqrt(-Q)/(w0*C)"}, "out of reach .*root is taken"),
    ("multiple-feedback-bandpass", {"R1": "R2/2"}, "at w0 = .*, g = .* the equations give w0 = "),
    ("sallen-key-lowpass-unity", {"C1": "Q^2*C", "C2": "C/Q^2"}, "the equations give Q = "),
    ("sallen-key-lowpass-gain", {"R2": "R1*(C*1e8)"}, "the equations give w0 = "),
    ("fliege-bandpass", {"R1": "2/(w0*C)"}, "the equations give Q = 2, not 1.847"),
    ("fliege-lowpass-notch", {"C1": "C*13/18"}, "key design: "),
    ("fliege-lowpass-notch", {"C1": "C*13/18", "C3": "C*5/18"}, "the equations give m = 1.5, not"),
    ("tow-thomas-lowpass", {"R4": "R2/g^2"}, "the equations give g = "),
    ("multiple-feedback-bandpass-differential", {"R1": "R2/(2*g)"}, "key design: "),
    ("twin-t-resonator-bleed", {"C1": "C*1.02"}, "key design: at .* the equations give "),
    ("twin-t-resonator-bleed", {"R5": "20*Q/(w0*C)"}, "key design: at .* the equations give "),
    ("rc-lowpass", {"C1": "C", "R1": "Q/(Q*w0*C)"}, "Q is that of one pair of poles; .* order 1"),
    ("fliege-notch", {"R6": "R1*(1 + 1/100)"}, "key design: at .* the equations make a general"),
    ("fliege-bandpass", {"R1": "1e200*Q^2/(w0*C)"}, "key design: "),
    ("fliege-bandpass", {"R1": "(1e200*Q)^2/(w0*C)"}, "key design: .* is too large a number"),
    (
        "multiple-feedback-bandpass-differential",
        {"R1": "R2/(2*g)", "R3": "Q/(w0*C*(2*Q^2 - g))"},
        "the equations give g = 2.273, not 1.273",
    ),
    (
        "sallen-key-bandpass-attenuator-differential",
        {"R1": "R3*(3*Q - 1)/g", "R4": "R3*(3*Q - 1)/(3*Q - 1 - g)"},
        "key design: at .* the equations make a ",
    ),
]


@pytest.mark.parametrize(("name", "change", "words"), WRONG_DESIGNS)
def test_a_wrong_design_equation_is_refused(
    name: str, change: dict[str, str], words: str, tmp_path: Path
) -> None:
    data = data_of(FILES[name])
    data["design"] = {**data.get("design", {}), **change}
    path = written({**data, "name": f"own-{name}"}, tmp_path)
    with pytest.raises(CatalogError, match=words):
        load_stage(path)


def test_a_design_of_the_first_order_is_measured(tmp_path: Path) -> None:
    data = {**data_of(FILES["first-order-lowpass"]), "name": "own"}
    design = {"C1": "C", "R1": "1/(w0*C)", "R3": "R1", "R2": "R3*(g - 1)"}
    assert load_stage(written({**data, "design": design}, tmp_path)).design == design
    for change in ({"R1": "2/(w0*C)"}, {"R2": "R3*g"}):
        with pytest.raises(CatalogError, match=r"key design: at .* the equations give "):
            load_stage(written({**data, "design": {**design, **change}}, tmp_path))


def test_a_design_of_low_q_is_measured(tmp_path: Path) -> None:
    data = {**data_of(FILES["rc-ladder-lowpass-two"]), "name": "own"}
    design = {"C1": "C", "C2": "C", "R1": "(1/Q - sqrt(1/Q^2 - 8))/(4*w0*C)"}
    rest = {"R2": "1/(R1*(w0*C)^2)"}
    assert load_stage(written({**data, "design": design | rest}, tmp_path)).design == design | rest
    with pytest.raises(CatalogError, match=r"key design: at .* the equations give "):
        load_stage(written({**data, "design": design | {"R2": "2/(R1*(w0*C)^2)"}}, tmp_path))


# -- bad files, each named -------------------------------------------------------------------------

GOOD = data_of(FILES["sallen-key-lowpass-unity"])
GOOD_GAIN = data_of(FILES["sallen-key-lowpass-gain"])


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"colour": "blue"}, "unknown key colour"),
        ({"source": ""}, "key source is missing"),
        ({"source": None}, "key source is missing"),
        ({"source": "  "}, "key source is missing"),
        ({"source": "x"}, "key source: 'x' names no source"),
        ({"parts": None, "op_amps": None}, "it says no circuit"),
        ({"H": "1/(1 + s*R1*C1)"}, r"which is 1/\(.*s\^2\*C1\*C2\*R1\*R2"),
        ({"example": None}, "key example is missing"),
        ({"order": "two"}, "key order must be a whole number"),
        ({"order": True}, "key order must be a whole number"),
        ({"parts": "R1"}, "key parts must be a list"),
        ({"parts": [["R1", "in"]]}, "key parts: .* must be a list of 3 names"),
        ({"parts": [["X1", "in", "out"]]}, "key parts: X1 must start with one of"),
        ({"op_amps": [["U1", "p", "out"]]}, "key op_amps: .* must be a list of 4 names"),
        ({"order": 3}, "key order: 3 claimed, but the graph has 2 modes"),
        ({"kinds": ["highpass"]}, "with these values the stage is no highpass"),
        ({"kinds": ["woofer"]}, "key kinds: .* must name one or more of"),
        ({"kinds": []}, "key kinds"),
        ({"kinds": ["lowpass", "bandpass"]}, "key variants: .* bandpass"),
        ({"sign": -1}, "key sign: -1 claimed"),
        ({"H": "1/(1 + s*R1*C9)"}, "C9"),
        ({"H": "1/(s^2*R1*R2*C1*C2 + s*C2*(R1 + R1) + 1)"}, "key H"),
        ({"H": "1/(R1 - R1)"}, "division by zero"),
        ({"H": "__import__('os')"}, "expression"),
        ({"name": "another"}, "must equal the file's name"),
        ({"names": [3]}, "key names: 3 must be text"),
        ({"example": {**GOOD["example"], "R9": "1k"}}, "key example: no part is called R9"),
        ({"example": {**GOOD["example"], "R1": 1000}}, "the value of R1 must be text"),
        ({"example": {**GOOD["example"], "R1": "ten"}}, "ten"),
        ({"example": {"R1": "1k"}}, "key example: no value for R2, C1, C2"),
        ({"output": "nowhere"}, "nowhere"),
        ({"conditions": ["C1 >= 9*Q^2*C2"]}, "key conditions: C1 >= 9.* does not hold"),
        ({"conditions": ["stable when R1 = 2*R2"]}, "key conditions: R1 = 2.* does not hold"),
        ({"conditions": ["gain of 1; w0^2 < 0.5/(R1*R2*C1*C2)"]}, "key conditions: w0"),
        ({"conditions": ["R1 < R9"]}, "key conditions: R1 < R9 names R9"),
    ],
)
def test_a_wrong_file_is_refused_with_its_name_and_key(
    change: Data, words: str, tmp_path: Path
) -> None:
    data = {k: v for k, v in {**GOOD, **change}.items() if v is not None}
    path = tmp_path / "sallen-key-lowpass-unity.toml"
    path.write_text(text_of(data), encoding="utf-8")
    with pytest.raises(CatalogError, match=f"{re.escape(str(path))}.*{words}"):
        load_stage(path)


def test_the_unchanged_file_is_accepted_when_written_by_the_tests(tmp_path: Path) -> None:
    assert load_stage(written(GOOD, tmp_path)) == stage("sallen-key-lowpass-unity")


@pytest.mark.parametrize("content", [b"name = ", b"\xff\xfe"])
def test_a_file_that_is_no_toml_is_refused(content: bytes, tmp_path: Path) -> None:
    path = tmp_path / "x.toml"
    path.write_bytes(content)
    with pytest.raises(CatalogError, match=r"x\.toml is not valid TOML"):
        load_stage(path)


def test_what_is_no_text_or_too_long_is_said_in_plain_words(tmp_path: Path) -> None:
    path = tmp_path / "x.toml"
    for content, words in ((b"\xff\xfe", "save it as UTF-8"), (b"#" * 1_000_001, "1000 kB")):
        path.write_bytes(content)
        with pytest.raises(CatalogError, match=words) as caught:
            load_stage(path)
        assert "codec" not in str(caught.value)


def test_many_conditions_are_relations_that_the_examples_satisfy() -> None:
    found = {s.name: [r.text for c in statements_of(s) for r in c.relations] for s in stages()}
    assert found["sallen-key-highpass-unity"] == ["R2 >= 4*Q^2*R1"]
    assert found["twin-t"] == ["R1 = R2 = 2*R3", "C1 = C2 = C3/2", "Q = 1/4"]
    assert found["noninverting-amplifier"] == ["gain of 1 or more"]
    assert found["integrator-inverting"] == []  # for people
    assert found["difference-amplifier-one-source"] == []  # where H vanishes is no demand
    assert sum(bool(r) for r in found.values()) >= 55


def test_a_stage_is_found_by_another_name_and_by_a_beginning() -> None:
    name = next(n for s in stages() for n in s.names if s.name == "multiple-feedback-lowpass")
    assert stage(name.upper()).name == "multiple-feedback-lowpass"
    with pytest.raises(CatalogError, match=r"did you mean tow-thomas-bandpass or"):
        stage("tow")
    with pytest.raises(CatalogError, match=r"did you mean .*multiple-feedback"):
        stage("Rauch")


def test_options_that_say_two_things_are_refused(capsys: pytest.CaptureFixture[str]) -> None:
    for arguments in (
        ["catalog", "--base", "--derived"],
        ["--stages", "a", "--stages", "b", "catalog"],
    ):
        assert run(arguments) == 2
        said = capsys.readouterr().err
        assert len(said.splitlines()) == 1
        assert arguments[0 if arguments[0] != "catalog" else 1] in said


def test_a_missing_file_is_refused(tmp_path: Path) -> None:
    with pytest.raises(CatalogError, match="cannot be read"):
        load_stage(tmp_path / "none.toml")


# -- finding ---------------------------------------------------------------------------------------


def test_an_unknown_name_gives_close_matches() -> None:
    with pytest.raises(CatalogError, match="did you mean bainter-notch"):
        stage("bainter-noch")
    with pytest.raises(CatalogError, match="synth catalog"):
        stage("zzzzzz")


def test_a_kind_the_stage_does_not_claim_is_refused() -> None:
    with pytest.raises(CatalogError, match="bainter-notch is no lowpass; it can be bandstop"):
        stage("bainter-notch").circuit("lowpass")


def test_two_files_of_one_name_are_named_and_both_left_out(tmp_path: Path) -> None:
    for folder in ("a", "b"):
        (tmp_path / folder).mkdir()
        (tmp_path / folder / "x.toml").touch()
    (tmp_path / "y.toml").touch()
    with pytest.warns(StageWarning, match=r"a/x\.toml and .*b/x\.toml have the same name"):
        assert set(stage_files(tmp_path)) == {"y"}


def test_a_pipe_is_no_stage_file_and_is_not_waited_for(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe.toml")
    with pytest.warns(StageWarning, match=r"pipe\.toml is no regular file"):
        assert not stage_files(tmp_path)


def test_the_wheel_carries_the_files_inside_the_package(tmp_path: Path) -> None:
    package = tmp_path / "synth"
    (package / "_catalog").mkdir(parents=True)
    (tmp_path / "catalog").mkdir()
    (tmp_path / "pyproject.toml").touch()
    assert catalog_folder(package) == package / "_catalog"


def test_a_checkout_has_them_beside_the_package(tmp_path: Path) -> None:
    (tmp_path / "synth").mkdir()
    (tmp_path / "catalog").mkdir()
    (tmp_path / "pyproject.toml").touch()
    assert catalog_folder(tmp_path / "synth") == tmp_path / "catalog"


def test_a_catalog_of_another_package_is_not_taken(tmp_path: Path) -> None:
    (tmp_path / "synth").mkdir()
    (tmp_path / "catalog").mkdir()  # as in site-packages: no project file beside it
    with pytest.raises(CatalogError, match="install the package again"):
        catalog_folder(tmp_path / "synth")


# -- the number type and the classification --------------------------------------------------------


def test_residues_are_a_field_with_the_images_of_the_fractions() -> None:
    a, b = Fraction(-7, 12), Fraction(5, 9)
    x, y = Residue(a), Residue(b)
    for got, want in (
        (x + y, a + b),
        (x - y, a - b),
        (x * y, a * b),
        (x / y, a / b),
        (-x, -a),
        (x**3, a**3),
        (x**-2, a**-2),
    ):
        assert got.value == Residue(want).value
    assert x.value != y.value
    with pytest.raises(ZeroDivisionError):
        x / Residue(0)


@pytest.mark.parametrize(
    ("n", "d", "kind", "sign"),
    [
        ((2,), (1,), "gain", 1),
        ((), (1, 1), "gain", 0),
        ((-3,), (0, 1), "integrator", -1),
        ((0, -3), (1,), "differentiator", -1),
        ((1,), (1, 1, 1), "lowpass", 1),
        ((0, 0, -1), (1, 1, 1), "highpass", -1),
        ((0, 1), (1, 1, 1), "bandpass", 1),
        ((0, 1), (1, 1, 1, 1), "general", 1),
        ((1, 0, 1), (1, 1, 1), "bandstop", 1),
        ((2, 0, 1), (1, 1, 1), "lowpass-notch", 1),
        ((1, 0, 2), (1, 1, 1), "highpass-notch", 1),
        ((-1, 1, -1), (1, 1, 1), "allpass", -1),
        ((1, -1), (1, 1), "allpass", 1),
        ((1, 3, 1), (1, 1, 1), "peaking", 1),
        ((1, Fraction(1, 9), 1), (1, 1, 1), "peaking", 1),
        ((1, 2), (1, 1), "shelving", 1),
        ((1, 1, 1), (1,), "general", 1),
        ((1, 0, -1), (1, 1, 1), "general", 1),
        ((1,), (0, 1, 1), "general", 1),
    ],
)
def test_kinds_by_their_definitions(
    n: tuple[int, ...], d: tuple[int, ...], kind: str, sign: int
) -> None:
    top, bottom = tuple(map(Fraction, n)), tuple(map(Fraction, d))
    assert kind_of(top, bottom) == kind
    assert sign_of(top, bottom, kind) == sign
