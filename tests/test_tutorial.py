"""The tutorial runs as it stands, and travels with the package."""

import doctest
from importlib.resources import files


def test_the_tutorial():
    text = files("synth").joinpath("demo/tutorial.md").read_text(encoding="utf-8")
    test = doctest.DocTestParser().get_doctest(text, {}, "tutorial", "tutorial.md", 0)
    assert len(test.examples) > 30
    said = []
    result = doctest.DocTestRunner().run(test, out=said.append)
    assert result.failed == 0, "".join(said)
