"""Every number of the report is in results.csv, at the digits that the report shows."""

import io
import math
import re

import pandas as pd
import pytest
from marks_made import evidence_of, glided
from reports import by_id, parsed, text_of

from sigkit.evidence.report.pages import report_html

NUMBER = re.compile(r"(?<![\w.])[+\N{MINUS SIGN}-]?\d+(?:\.\d+)?")


@pytest.fixture(scope="module")
def tree(sample_folder):
    return parsed((sample_folder / "report.html").read_text(encoding="utf-8"))[0]


@pytest.fixture(scope="module")
def lines(sample_folder):
    """Every line of results.csv."""
    return pd.read_csv(sample_folder / "results.csv")


@pytest.fixture(scope="module")
def table(lines):
    """The quantities among them."""
    return lines[lines.kind == "quantity"]


def numbers_of(text):
    return [n.replace("\N{MINUS SIGN}", "-") for n in NUMBER.findall(text)]


def step(number):
    """Half of the last digit that is shown; of 440, which has two digits, half of ten."""
    if "." in number:
        return 0.5 * 10.0 ** -len(number.partition(".")[2])
    zeros = len(number) - len(number.rstrip("0"))
    return 0.5 * 10.0 ** (zeros if number.strip("+-0") else 0)


def known(row):
    """Values of a line of the table, half widths of its intervals, and its texts."""
    values = [float(v) for v in row if isinstance(v, (int, float)) and math.isfinite(v)]
    values += [100 * row.p_within]
    for low in [name for name in row.index if "low" in name]:
        values.append((row[low.replace("low", "high")] - row[low]) / 2)
    texts = " ".join(v for v in row if isinstance(v, str))
    return [v for v in values if math.isfinite(v)], numbers_of(texts)


def untold(text, rows):
    """Numbers of a text that no line holds."""
    values, texts = zip(*(known(row) for row in rows), strict=True)
    every = [v for own in values for v in own]
    typed = {t.lstrip("+") for own in texts for t in own}
    return [
        n
        for n in numbers_of(text)
        if n.lstrip("+") not in typed
        and not any(abs(abs(v) - abs(float(n))) <= step(n) * (1 + 1e-6) for v in every)
        and not (n == "99.9" and any(row.p_within > 0.999 for row in rows))
        and not (n == "0.1" and any(row.p_within < 0.001 for row in rows))
    ]


def without_captures(element):
    """Text of a row of values without its label and the numbers of captures."""
    said = [text_of(cell) for cell in element if cell.tag == "td"]
    return re.sub(r"mean of captures [\d, ]+", "", " | ".join(said))


def test_the_numbers_of_every_table_row_are_in_its_line(tree, table):
    names = by_id(tree)
    shown = 0
    for index, row in table.iterrows():
        text = without_captures(names[f"r{index + 2}"])
        assert untold(text, [row]) == [], f"line {index + 2}: {text}"
        shown += len(numbers_of(text))
    assert shown > 3 * len(table)


def test_page_one_shows_its_lines(tree, table):
    (front,) = (e for e in tree.iter("table") if "front" in e.get("class", "").split())
    rows = [e for e in front.iter("tr") if e.get("data-row")]
    assert rows
    for element in rows:
        line = table.iloc[int(element.get("data-row")[1:]) - 2]
        text = re.sub(r"(also|in all:).*$", "", without_captures(element))
        assert untold(text, [line]) == [], text


def line_of(element):
    """Index of the line of results.csv that an element says it shows."""
    return int(element.get("data-row")[1:]) - 2


def test_sliders_over_the_stages_show_their_lines(tree, lines):
    """Events per pass, fixed spots and floor, three lines a slider; counted in passes, not in s."""
    elements = list(tree.iter())
    start = elements.index(by_id(tree)["ladder"])
    table = next(e for e in elements[start:] if e.tag == "table")
    rows = [e for e in table.iter("tr") if e.get("data-row")]
    assert len(rows) == len({r.subject for r in lines.itertuples() if r.test == "slider"}) >= 1
    for element in rows:
        own = [lines.iloc[line_of(element) + k] for k in range(3)]
        assert {row.kind for row in own} == {"slider over the stages"}
        text = without_captures(element)
        assert untold(text, own) == [], text
        assert len(numbers_of(text)) > 8
        counted = own[0][[name for name in own[0].index if name.startswith("count_")]]
        assert sum(float(n) for n in re.findall(r"\((\d+) in", text)) == counted.sum()


@pytest.fixture(scope="module")
def marked():
    """A glide over five marks at two stages: a reversal, mended, and a dead zone, not mended."""
    return evidence_of(
        {
            "1_before": {
                **{"0": glided(0.085), "25": glided(0.11), "half": glided(0.62)},
                **{"75": glided(0.48), "max": glided(0.485, relative=0.001)},
            },
            "2_after": {
                **{"0": glided(0.015), "25": glided(0.12), "half": glided(0.4)},
                **{"75": glided(0.8, relative=0.001), "max": glided(0.802, relative=0.001)},
            },
        }
    )


def test_findings_over_marks_show_their_lines(marked):
    lines = pd.read_csv(io.BytesIO(marked.results()["results.csv"]))
    names = ["test", "subject", "setting", "quantity", "unit"]
    assert not lines[names].duplicated().any()
    tree = parsed(report_html(marked, {}))[0]
    (order,) = marked.setting_orders
    items = [e for e in tree.iter("li") if e.get("data-row")]
    findings = [(stage.stage, f) for stage in order.stages for f in stage.findings]
    assert len(items) == len(findings) > 6
    for element, (stage, finding) in zip(items, findings, strict=True):
        line = lines.iloc[line_of(element)]
        assert line.kind == "finding over marks"
        assert line[f"finding_{stage}"] == text_of(element)
        assert untold(text_of(element), [line]) == []
        if finding.change is not None:
            assert line[stage] == pytest.approx(finding.change.value, rel=1e-8)
            assert line[f"u_{stage}"] == pytest.approx(finding.change.u, rel=1e-8)
    word = {f.kind: f.word for _, f in findings}
    assert (word["reversal"], word["dead zone"]) == ("faulty", "faulty")
    limits = lines.set_index("quantity").limit
    assert limits["glide_time_reversal"] == order.guide.reversal_worn_to_percent
    assert limits["glide_time_dead_zone"] == order.guide.dead_zone_percent
    times = lines[lines.quantity == "glide_time"]
    assert sorted(times.mark_percent) == [0, 25, 50, 75, 100]


def test_captions_and_lists_show_the_lines_of_their_section(tree, table):
    names = by_id(tree)
    lines = {
        "-".join(map(str, key)).rstrip("-"): [row for _, row in own.iterrows()]
        for key, own in table.fillna({"setting": ""}).groupby(["test", "subject", "setting"])
    }
    seen = 0
    for element in tree.iter("section"):
        for item in element.iter("li"):
            for link in item.iter("a"):
                anchor = link.get("href")[1:]
                if anchor in lines:
                    text = text_of(link).partition(": ")[2].partition(": ")[2] or text_of(link)
                    assert untold(text, lines[anchor]) == [], text
                    seen += 1
    assert seen
    for anchor, own in lines.items():
        assert anchor in names
        for figure in tree.iter("img"):
            title = figure.get("alt").partition(". ")
            if title[0] == text_of(names[anchor]):
                said = title[2].partition(". ")[2]
                labels = " ".join(numbers_of("1 2 3 10 to 90 % 95"))
                left = [n for n in untold(said, own) if n not in labels.split()]
                assert left == [], said


def test_the_sentences_count_the_lines(tree, table, sample_part):
    from sigkit.measures import TESTS

    judged = {(t.name, j.quantity) for t in TESTS.values() for j in t.judged if j.better != "none"}
    own = table[[key in judged for key in zip(table.test, table.quantity, strict=True)]]
    front = next(e for e in tree.iter("section") if e.get("class") == "page-one")
    tags = [e.tag for e in front]
    first, second, *others = [text_of(e) for e in front[tags.index("div") :] if e.tag == "p"]
    counts = own.verdict.value_counts()
    word = [counts.get(w, 0) for w in ("improved", "worse", "no change shown")]
    assert numbers_of(first) == [str(n) for n in (len(own), *word, len(own) - sum(word))]
    limits = table.limit_verdict.value_counts()
    order = ("within limits", "outside limits", "undecided", "not measurable", "not tested")
    assert numbers_of(second)[1:] == [str(limits.get(w, 0)) for w in order]
    assert len(others) <= 2
    used = sum(outcome.used for outcome in sample_part.outcomes)
    assert others[-1].startswith(f"{used} of {len(sample_part.outcomes)} captures were used")


def test_a_number_that_is_not_there_is_noticed(table):
    row = table.iloc[0]
    assert untold("123.456 ± 7.89 cents", [row]) == ["123.456", "7.89"]
