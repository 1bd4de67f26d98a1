"""What can go wrong with a log, without the database library: the console knows these before it is loaded."""

__all__ = ["LogError", "Unreachable"]


class LogError(Exception):
    """The log cannot be read or written; the text says where and what to do."""


class Unreachable(LogError):
    """The server of a shared log does not answer: try again later, nothing is lost."""
