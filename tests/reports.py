"""A report parsed, for the tests that read it, and JSON beside it changed."""

import json

from tinyhtml5.parser import HTMLParser

COMPLAINT = (
    'The "second" oscillator\'s slider <b>crackles</b> & scratches\nwhenever it is moved, it hums '
    "even with everything turned down, and some notes are out of tune when it is cold; it worked "
    "last year, a friend had a look at it, and since then it has become worse and worse from one "
    "rehearsal to the next."
)


def parsed(html):
    """Tree of a document, and every error of its grammar (WHATWG HTML, 13.2)."""
    parser = HTMLParser(namespace_html_elements=False)
    return parser.parse(html), parser.errors


def text_of(element):
    return " ".join("".join(element.itertext()).split())


def by_id(tree):
    return {element.get("id"): element for element in tree.iter() if element.get("id")}


def rewrite_json(path, change):
    document = json.loads(path.read_text())
    change(document)
    path.write_text(json.dumps(document))
