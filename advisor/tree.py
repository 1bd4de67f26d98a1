"""YAML as plain text scalars with their places: no tags, no anchors, no duplicate keys, nothing evaluated."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from typing import Any

from advisor.issue import Issue, KnowledgeError

__all__ = ["Tree", "parse_tree"]

MAX_BYTES = 2_000_000
MAX_DEPTH = 12


@dataclass
class Tree:
    """A YAML file as nested dicts, lists and texts, with the line and column of every value by its path."""

    data: Any
    marks: dict[tuple[Any, ...], tuple[int, int]]
    _groups: dict[tuple[Any, ...], list[tuple[tuple[Any, ...], tuple[int, int]]]] = field(default_factory=dict)

    def below(self, path: tuple[Any, ...]) -> list[tuple[tuple[Any, ...], tuple[int, int]]]:
        """The marks at and below a path of at most two keys, by the rest of their path."""
        if not self._groups:
            for key, mark in self.marks.items():
                for size in range(min(len(key), 2) + 1):
                    self._groups.setdefault(key[:size], []).append((key[size:], mark))
        return self._groups.get(path, [])

    def mark(self, path: Iterable[Any]) -> tuple[int, int]:
        """Line and column (from 1) of the nearest enclosing value that is known."""
        key = tuple(path)
        while key and key not in self.marks:
            key = key[:-1]
        return self.marks.get(key, (1, 1))


def _loader(yaml: Any) -> Any:
    """The C parser where there is one."""
    return getattr(yaml, "CSafeLoader", yaml.SafeLoader)


def _refuse_marks(text: str, fail: Callable[..., KnowledgeError]) -> None:
    """Anchors, aliases and tags, of values and of keys."""
    import yaml

    for event in yaml.parse(text, Loader=_loader(yaml)):
        mark: Any = event.start_mark
        if isinstance(event, yaml.AliasEvent) or getattr(event, "anchor", None):
            what, hint = (
                "anchors and aliases (& and *) are not allowed",
                "write the value out, or quote it if it is text",
            )
        elif tag := getattr(event, "tag", None):
            what, hint = f"tags such as '{tag}' are not allowed", "write plain text, or quote it if it starts with !"
        else:
            continue
        raise fail(mark.line + 1, mark.column + 1, what, hint)


def parse_tree(text: str, name: str) -> Tree:
    """Parse YAML text into a Tree; raises KnowledgeError with the place of the first error of form."""
    import yaml  # late: a start from the cache never reads YAML

    def fail(line: int, column: int, message: str, hint: str = "") -> KnowledgeError:
        return KnowledgeError([Issue(name, line, column, "yaml", message, hint)])

    if len(text.encode("utf-8", "replace")) > MAX_BYTES:
        raise fail(1, 1, f"the file is larger than {MAX_BYTES // 1_000_000} MB", "split it")
    try:
        if any(sign in text for sign in "&*!"):  # only then can there be an anchor, an alias or a tag
            _refuse_marks(text, fail)
        node = yaml.compose(text, Loader=_loader(yaml))
    except yaml.MarkedYAMLError as error:
        where = error.problem_mark or error.context_mark
        line, column = (where.line + 1, where.column + 1) if where else (1, 1)
        raise fail(
            line,
            column,
            str(error.problem or "not readable as YAML"),
            "check indentation, colons and quotes around text with ': ' or '#'",
        ) from None
    except (yaml.YAMLError, ValueError, RecursionError) as error:
        raise fail(1, 1, f"not readable as YAML: {str(error).splitlines()[0]}") from None

    marks: dict[tuple[Any, ...], tuple[int, int]] = {}

    def build(item: Any, path: tuple[Any, ...]) -> Any:
        line, column = item.start_mark.line + 1, item.start_mark.column + 1
        marks[path] = (line, column)
        if len(path) > MAX_DEPTH:
            raise fail(line, column, "nested too deeply")
        if isinstance(item, yaml.ScalarNode):
            return item.value
        if isinstance(item, yaml.SequenceNode):
            return [build(child, (*path, index)) for index, child in enumerate(item.value)]
        out: dict[str, Any] = {}
        for key_node, value_node in item.value:
            if not isinstance(key_node, yaml.ScalarNode):
                raise fail(key_node.start_mark.line + 1, key_node.start_mark.column + 1, "a key must be plain text")
            key = key_node.value
            if key in out:
                raise fail(
                    key_node.start_mark.line + 1,
                    key_node.start_mark.column + 1,
                    f"the key '{key}' stands twice",
                    "remove one of them",
                )
            out[key] = build(value_node, (*path, key))
        return out

    return Tree({} if node is None else build(node, ()), marks)
