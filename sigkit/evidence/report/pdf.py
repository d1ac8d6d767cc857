"""HTML of our own put on paper."""

from __future__ import annotations

from sigkit.errors import InputError

PAPERS = ("a4", "letter")


def pdf_of(html: str, where: str, *, paper: str = "") -> bytes:
    """Return a page or a report as PDF.

    Parameters
    ----------
    html : str
        HTML that refers to nothing outside itself.
    where : str
        What is being printed, for the error.
    paper : {"a4", "letter"}, optional
        Size of its pages, upright; by default the one that the HTML asks for.

    Raises
    ------
    InputError
        No such paper, or the library that prints is not installed.
    """
    if paper and paper not in PAPERS:
        raise InputError(
            f"There is no paper {paper!r} here.", where=where, remedy="Use a4 or letter."
        )
    try:
        import weasyprint
    except (ImportError, OSError) as error:
        raise InputError(
            "No PDF can be made here: weasyprint is not installed.",
            where=where,
            remedy="Run: pip install 'sigkit[pdf]', or open the HTML in a browser and print it.",
        ) from error
    size = [weasyprint.CSS(string=f"@page {{ size: {paper} }}")] if paper else []
    printed: bytes = weasyprint.HTML(string=html).write_pdf(stylesheets=size)
    return printed
