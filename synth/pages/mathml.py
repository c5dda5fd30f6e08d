r"""The LaTeX of `synth.report.mathematics` as MathML, which browsers set without any library.

Only what the reports write is read: names, numbers, signs, ``\frac``, ``\mathrm``, ``\text``,
``\underbrace``, ``\left`` and ``\right``, upper and lower indices, and the escapes of
`synth.report.mathematics`.  Anything else is an error, never passed on.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from html import escape

from synth.errors import ExpressionError

_TOKEN = re.compile(
    r"\\char(?P<code>\d+)\{\}|\\(?P<word>[A-Za-z]+)|\\(?P<sign>[^A-Za-z])|(?P<number>\d+(?:\.\d+)?)"
    r"|(?P<letter>[A-Za-z])|(?P<space>[ \n]+)|(?P<other>.)",
    re.DOTALL,
)
#: Commands that stand for one operator or one name.
_OPERATORS = {
    "cdot": "·",
    "colon": ":",
    "lvert": "|",
    "rvert": "|",
    "vert": "|",
    "lt": "<",
    "gt": ">",
    "ast": "*",
    "backslash": "\\",
}
_NAMES = {"infty": "∞", "omega": "ω", "lim": "lim"}
#: Spaces in em.
_SPACES = {",": 0.17, ";": 0.28, " ": 0.33}
_PLAIN_SIGNS = "{}_%&#"

Token = tuple[str, str]


def mathml(latex: str, block: bool = False) -> str:
    r"""Return a formula as a ``math`` element.

    Parameters
    ----------
    latex : str
        As `synth.report.mathematics` writes it.
    block : bool
        Whether it stands alone.

    Raises
    ------
    ExpressionError
        If it holds anything else.

    Examples
    --------
    >>> print(mathml(r"\frac{1}{s^{2}}"))
    <math><mfrac><mn>1</mn><msup><mi>s</mi><mn>2</mn></msup></mfrac></math>
    """
    reader = _Reader(_tokens(latex), latex)
    inner = reader.row(None)
    display = ' display="block"' if block else ""
    return f"<math{display}>{inner}</math>"


def _tokens(latex: str) -> list[Token]:
    found: list[Token] = []
    for match in _TOKEN.finditer(latex):
        kind = match.lastgroup or "other"
        text = match.group(kind)
        if kind == "code":
            kind, text = "sign", chr(int(text))
        found.append((kind, text))
    return found


class _Reader:
    """Reads tokens from the left; every method returns the MathML of what it has read."""

    def __init__(self, tokens: Sequence[Token], whole: str) -> None:
        self.tokens = tokens
        self.whole = whole
        self.at = 0

    def row(self, end: str | None) -> str:
        r"""Read until the closing brace, the closing ``\right``, or the end."""
        pieces: list[str] = []
        while self.at < len(self.tokens):
            kind, text = self.tokens[self.at]
            if (kind, text) == ("other", end) or (kind == "word" and text == end):
                self.at += 1
                return _row(pieces)
            if kind == "space":
                self.at += 1
                continue
            pieces.append(self.scripted())
        if end is not None:
            raise self.wrong(f"{end} is missing")
        return _row(pieces)

    def scripted(self) -> str:
        """Read one thing with its lower and upper index."""
        base = self.thing()
        under = base.startswith("<munder>")
        lower = upper = ""
        while self.at < len(self.tokens) and self.tokens[self.at] in (
            ("other", "_"),
            ("other", "^"),
        ):
            sign = self.tokens[self.at][1]
            self.at += 1
            index = self.thing()
            if sign == "_" and not lower:
                lower = index
            elif sign == "^" and not upper:
                upper = index
            else:
                raise self.wrong(f"two {sign} after one thing")
        if under and lower:
            return f"<munder>{base}{lower}</munder>"
        if lower and upper:
            return f"<msubsup>{base}{lower}{upper}</msubsup>"
        if lower:
            return f"<msub>{base}{lower}</msub>"
        return f"<msup>{base}{upper}</msup>" if upper else base

    def thing(self) -> str:
        """Read one token, group or command with its arguments."""
        if self.at >= len(self.tokens):
            raise self.wrong("it ends where something must follow")
        kind, text = self.tokens[self.at]
        self.at += 1
        if kind == "number":
            return f"<mn>{text}</mn>"
        if kind == "letter":
            return f"<mi>{text}</mi>"
        if kind == "sign":
            if text in _SPACES:
                return f'<mspace width="{_SPACES[text]}em"/>'
            return _operator(text)
        if kind == "word":
            return self.command(text)
        if text == "{":
            return self.row("}")
        if text in "_^}":
            raise self.wrong(f"{text} stands where nothing can")
        return _operator("−" if text == "-" else text)

    def command(self, word: str) -> str:
        """Read what belongs to a command."""
        if word == "frac":
            return f"<mfrac>{self.thing()}{self.thing()}</mfrac>"
        if word in ("mathrm", "text"):
            tag = "mi" if word == "mathrm" else "mtext"
            upright = ' mathvariant="normal"' if word == "mathrm" else ""
            return f"<{tag}{upright}>{escape(self.words())}</{tag}>"
        if word == "underbrace":
            return f'<munder>{self.thing()}<mo stretchy="true">⏟</mo></munder>'
        if word == "left":
            opening = self.thing()
            inner = self.row("right")
            return f"<mrow>{opening}{inner}{self.thing()}</mrow>"
        if word in _NAMES:
            return f"<mi>{_NAMES[word]}</mi>"
        if word in _OPERATORS:
            self.skip_empty_group()
            return _operator(_OPERATORS[word])
        raise self.wrong(f"\\{word} is none of the commands that reports use")

    def words(self) -> str:
        """Read a group as text, escapes resolved."""
        if self.at >= len(self.tokens) or self.tokens[self.at] != ("other", "{"):
            raise self.wrong("a text must stand in braces")
        self.at += 1
        text = ""
        depth = 0
        while self.at < len(self.tokens):
            kind, piece = self.tokens[self.at]
            self.at += 1
            if kind == "word":
                if piece not in _OPERATORS:
                    raise self.wrong(f"\\{piece} cannot stand in a text")
                self.skip_empty_group()
                text += _OPERATORS[piece]
            elif (kind, piece) == ("other", "{"):
                depth += 1
            elif (kind, piece) == ("other", "}"):
                if not depth:
                    return text
                depth -= 1
            else:
                text += "\u00a0" if piece == "~" and kind == "other" else piece
        raise self.wrong("a text does not end")

    def skip_empty_group(self) -> None:
        """Pass over the ``{}`` that ends the name of a command."""
        if list(self.tokens[self.at : self.at + 2]) == [("other", "{"), ("other", "}")]:
            self.at += 2

    def wrong(self, reason: str) -> ExpressionError:
        """Return the error."""
        shown = self.whole if len(self.whole) <= 60 else f"{self.whole[:60]}..."
        return ExpressionError(f"the formula {shown!r} cannot be set as MathML: {reason}")


def _operator(text: str) -> str:
    return f"<mo>{escape(text)}</mo>"


def _row(pieces: Sequence[str]) -> str:
    return pieces[0] if len(pieces) == 1 else f"<mrow>{''.join(pieces)}</mrow>"
