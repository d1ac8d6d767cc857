"""HTML of our own put on paper."""

from __future__ import annotations

from sigkit.errors import InputError


def pdf_of(html: str, where: str) -> bytes:
    """Return a page or a report as PDF.

    Parameters
    ----------
    html : str
        HTML that refers to nothing outside itself.
    where : str
        What is being printed, for the error.

    Raises
    ------
    InputError
        The library that prints is not installed.
    """
    try:
        import weasyprint
    except (ImportError, OSError) as error:
        raise InputError(
            "No PDF can be made here: weasyprint is not installed.",
            where=where,
            remedy="Run: pip install 'sigkit[pdf]', or open the HTML in a browser and print it.",
        ) from error
    paper: bytes = weasyprint.HTML(string=html).write_pdf()
    return paper
