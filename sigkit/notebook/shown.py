"""What a notebook's cell shows: words, a table, pictures, players; as HTML and as plain text."""

from __future__ import annotations

import base64
import html
import re
from collections.abc import Sequence
from dataclasses import dataclass

LEFT = "text-align:left;vertical-align:top"


@dataclass(frozen=True)
class Shown:
    """Something that a notebook shows and that prints as plain text elsewhere.

    Parameters
    ----------
    text : str
        The same in plain text.
    markup : str
        The same as HTML that needs nothing from outside.
    """

    text: str
    markup: str

    def __str__(self) -> str:
        return self.text

    def __repr__(self) -> str:
        return self.text

    def _repr_html_(self) -> str:
        return self.markup


def said(text: str, under: str = "") -> Shown:
    """Return a sentence to show, with a small line above it that says what it belongs to."""
    return together([heading(under), Shown(text, f"<p>{html.escape(text)}</p>")])


def heading(text: str) -> Shown:
    """Return the small line over an output: job, test, stages, mains."""
    if not text:
        return Shown("", "")
    style = "color:#6b6b6b;font-size:0.85em;margin:0 0 0.4em 0"
    return Shown(text, f"<p style='{style}'>{html.escape(text)}</p>")


def together(parts: Sequence[Shown]) -> Shown:
    """Return several things, one below the other."""
    return Shown(
        "\n".join(part.text for part in parts if part.text), "".join(part.markup for part in parts)
    )


def table(head: Sequence[str], rows: Sequence[Sequence[str]]) -> Shown:
    """Return a table; a row with a single cell is a title over those below it."""
    top = "".join(f"<th style='{LEFT}'>{html.escape(cell)}</th>" for cell in head)
    body = ""
    for row in rows:
        if len(row) == 1:
            cells = f"<th colspan='{len(head)}' style='{LEFT}'>{html.escape(row[0])}</th>"
        else:
            cells = f"<td style='{LEFT};min-width:9em'>{html.escape(row[0])}</td>"
            cells += "".join(f"<td style='{LEFT}'>{html.escape(cell)}</td>" for cell in row[1:])
        body += f"<tr>{cells}</tr>"
    style = "font-size:0.85em;font-variant-numeric:tabular-nums"
    lines = [" | ".join(head), *(" | ".join(row) for row in rows)]
    return Shown(
        "\n".join(lines),
        f"<table style='{style}'><thead><tr>{top}</tr></thead><tbody>{body}</tbody></table>",
    )


def listed(title: str, items: Sequence[str]) -> Shown:
    """Return a short list under its title; nothing where it is empty."""
    if not items:
        return Shown("", "")
    points = "".join(f"<li>{html.escape(item)}</li>" for item in items)
    return Shown(
        "\n".join([title, *(f"- {item}" for item in items)]),
        f"<p style='margin-bottom:0'><b>{html.escape(title)}</b></p>"
        f"<ul style='margin-top:0.2em'>{points}</ul>",
    )


def _caption(text: str) -> str:
    """Return a caption as HTML; no line ends between a number and its unit."""
    whole = re.sub(r"(?<=\d) (?=(?:dB|dBFS|s|ms|Hz|cents|%)(?!\w))", "\N{NO-BREAK SPACE}", text)
    return f"<figcaption style='max-width:44em'>{html.escape(whole)}</figcaption>"


def picture(png: bytes, caption: str) -> Shown:
    """Return a chart with what one sees on it."""
    code = base64.b64encode(png).decode()
    alt = html.escape(caption, quote=True)
    return Shown(
        f"[chart] {caption}",
        "<figure style='margin:0 0 1em 0'>"
        f"<img alt='{alt}' style='max-width:48em;width:100%' src='data:image/png;base64,{code}'>"
        f"{_caption(caption)}</figure>",
    )


def player(wav: bytes, caption: str) -> Shown:
    """Return a sound to play with what it is: when, how loud, how much it was raised."""
    code = base64.b64encode(wav).decode()
    return Shown(
        f"[sound] {caption}",
        "<figure style='margin:0 0 0.8em 0'>"
        f"{_caption(caption)}"
        f"<audio controls preload='metadata' src='data:audio/wav;base64,{code}'></audio></figure>",
    )


def sounds_in(shown: Shown) -> list[bytes]:
    """Return the WAV files of the players in something shown."""
    found = re.findall(r"data:audio/wav;base64,([A-Za-z0-9+/=]+)", shown.markup)
    return [base64.b64decode(code) for code in found]


def pictures_in(shown: Shown) -> list[bytes]:
    """Return the PNG files of the charts in something shown."""
    found = re.findall(r"data:image/png;base64,([A-Za-z0-9+/=]+)", shown.markup)
    return [base64.b64decode(code) for code in found]
