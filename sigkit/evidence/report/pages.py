"""The report: one HTML file that needs nothing else, and the table shown in notebooks."""

from __future__ import annotations

import base64
import html
from collections.abc import Mapping
from typing import TYPE_CHECKING

from sigkit.evidence.report.about import about, complaint_told, running_head
from sigkit.evidence.report.captures import Numbered, css_text
from sigkit.evidence.report.front import (
    front_rows,
    is_bad,
    second_sentences,
    sentences,
)
from sigkit.evidence.report.front_charts import front_charts
from sigkit.evidence.report.front_lists import front_lists, second_lists
from sigkit.evidence.report.ladder_section import ladder_section
from sigkit.evidence.report.pictures import fitting, picture_name
from sigkit.evidence.report.sections import conditions, contents, sections_of
from sigkit.evidence.report.setting_order_section import order_sections
from sigkit.evidence.report.wording import (
    caption,
    causes_told,
    cell_text,
    change_text,
    group_title,
    limit_text,
    rate_text,
    shared_remarks,
    value_text,
    weight,
)
from sigkit.evidence.rows.shown_rows import finding_numbers, ladder_numbers
from sigkit.evidence.rows.table import SINGLE
from sigkit.measures import TESTS
from sigkit.measures.result import words

if TYPE_CHECKING:
    from sigkit.evidence.evidence import Evidence
    from sigkit.evidence.run.takes import Outcome

__all__ = [
    "caption",
    "causes_told",
    "cell_text",
    "change_text",
    "group_title",
    "limit_text",
    "rate_text",
    "report_html",
    "shared_remarks",
    "table_html",
    "value_text",
    "weight",
]


def report_html(evidence: Evidence, pictures: Mapping[str, bytes], code: str = "") -> str:
    """Return the whole report.

    Parameters
    ----------
    evidence : Evidence
        What to report.
    pictures : mapping of str to bytes
        PNG by picture name, as drawn from the same evidence.
    code : str, optional
        Short code of its results, which stands on every page.

    Returns
    -------
    str
        HTML with all pictures inside; no outside address, no date but those of the job.
    """
    import jinja2

    from sigkit.evidence.run.made_with import versions

    environment = jinja2.Environment(
        loader=jinja2.PackageLoader("sigkit.evidence.report"),
        autoescape=True,
        trim_blocks=True,
        lstrip_blocks=True,
        undefined=jinja2.StrictUndefined,
    )
    environment.filters |= {"words": words, "css_text": css_text}
    settings, rows = evidence.job.settings, evidence.rows
    kept = [picture_name(row.group) for row in rows if is_bad(row)]
    held = fitting(pictures, kept)
    sources = {name: base64.b64encode(png).decode() for name, png in held.items()}
    numbered = Numbered.of(evidence)
    elsewhere = set(pictures) - set(held)
    sections = sections_of(evidence, sources, numbered, elsewhere)
    ladder = ladder_section(evidence.ladder, rows, sources, ladder_numbers(evidence))
    orders = order_sections(
        evidence.setting_orders, rows, sources, cell_text, finding_numbers(evidence)
    )
    return environment.get_template("report.html").render(
        unit=settings.unit or "unit not named",
        description=settings.description,
        code=code,
        head=running_head(evidence, code),
        about=about(evidence, code),
        stages=evidence.job.stages,
        complaint=complaint_told(evidence),
        several=len(evidence.job.stages) > 1,
        numbered=numbered,
        front=front_rows(rows),
        sentences=sentences(evidence),
        front_lists=front_lists(evidence),
        second_lists=second_lists(evidence),
        second_sentences=second_sentences(evidence),
        charts=front_charts(evidence, sources),
        ladder=ladder,
        setting_orders=orders,
        sections=sections,
        contents=contents(sections, ladder, orders),
        limits={
            f"{TESTS[r.test].title}, {r.judged.label}": (limit_text(r), r.limit.source)
            for r in rows
            if r.limit is not None
        },
        cause_sources=sorted({row.cause.source for row in rows if row.cause is not None}),
        remarks=[(o.take.key, text) for o in evidence.outcomes if (text := _remarks(o))],
        problems=evidence.problems,
        conditions=conditions(evidence),
        repairs=evidence.job.repairs,
        versions=versions(),
        mains_hz=settings.wide.get("mains_hz"),
        single=SINGLE,
    )


def table_html(evidence: Evidence) -> str:
    """Return the before/after table for a notebook."""
    stages = [stage.name for stage in evidence.job.stages]
    left = "style='text-align:left'"
    heads = ["", *(words(s) for s in stages), "change", "", "limit"]
    head = "".join(f"<th {left}>{html.escape(text)}</th>" for text in heads)
    body, group = "", None
    for row in evidence.rows:
        if row.group != group:
            group = row.group
            title = html.escape(group_title(group))
            body += f"<tr><th colspan='{len(heads)}' {left}>{title}</th></tr>"
        verdict = row.verdict.split(":")[0]
        texts = [row.judged.label, *(cell_text(row.cells[s]) for s in stages)]
        texts += [change_text(row.change), verdict, row.limit_verdict.word]
        body += f"<tr>{''.join(f'<td {left}>{html.escape(text)}</td>' for text in texts)}</tr>"
    problems = "".join(
        f"<li>{html.escape(f'{p.where}: {p.problem} {p.remedy}')}</li>" for p in evidence.problems
    )
    return (
        f"<table style='font-size:0.85em'><thead><tr>{head}</tr></thead>"
        f"<tbody>{body}</tbody></table>{f'<p>Problems</p><ul>{problems}</ul>' if problems else ''}"
    )


def _remarks(outcome: Outcome) -> str:
    """Return what the reader, the fitness check and the measure remarked on a capture."""
    measured = outcome.result.said if outcome.result is not None else ()
    remarks = dict.fromkeys((*outcome.remarks, *measured))
    return " ".join(r if r.endswith((".", "!")) else f"{r}." for r in remarks)
