"""The errors of sigkit: who must act, and how.

Every message has three lines: what is wrong, where, and what to do.
"""

from __future__ import annotations


class SigkitError(Exception):
    """Root of all errors that sigkit raises on purpose.

    Parameters
    ----------
    problem : str
        What is wrong, in one sentence.
    where : str, optional
        The file, stage, line or parameter it concerns.
    remedy : str, optional
        What the reader can do about it.
    """

    def __init__(self, problem: str, *, where: str = "", remedy: str = "") -> None:
        self.problem = problem
        self.where = where
        self.remedy = remedy
        super().__init__(problem)

    def __str__(self) -> str:
        return "\n".join(line for line in (self.problem, self.where, self.remedy) if line)

    def _render_traceback_(self) -> list[str]:
        """Return what a notebook shows: the three lines, without the way through the code."""
        return str(self).splitlines()

    def __reduce__(self) -> tuple[object, ...]:
        return _rebuild, (type(self), self.problem, self.where, self.remedy)


class InputError(SigkitError, ValueError):
    """The call, the job folder or its settings are wrong; the caller can correct them."""


class SignalError(SigkitError):
    """The call is right, but this recording cannot answer it."""


def _rebuild(kind: type[SigkitError], problem: str, where: str, remedy: str) -> SigkitError:
    return kind(problem, where=where, remedy=remedy)
