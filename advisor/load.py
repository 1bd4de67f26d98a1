"""Knowledge files -> records. Reports every problem in one run, each with file, line and column."""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Callable
from importlib import resources
from pathlib import Path
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError

from advisor.issue import Issue, KnowledgeError, nearest
from advisor.model import KINDS, CauseExamples, Knowledge, Place, Vocabulary, WorkedCase
from advisor.tree import Tree, parse_tree

__all__ = ["load_cases", "load_knowledge", "shipped", "validated"]

M = TypeVar("M", bound=BaseModel)
EXAMPLES = ".cases.yaml"


def validated(model: type[M], tree: Tree, data: Any, path: tuple[Any, ...], name: str, issues: list[Issue]) -> M | None:
    """The data as a record; None when it does not fit, every reason then being added to `issues` with its place."""
    try:
        return model.model_validate(data)
    except ValidationError as error:
        for each in error.errors():
            if each["type"] == "too_short" and len(each["input"]) >= each["ctx"]["min_length"]:
                continue  # only because an entry of it is bad, which is reported by itself
            loc = [p for p in each["loc"] if not (isinstance(p, str) and p.startswith("function-"))]
            line, column = tree.mark((*path, *loc))
            message, hint = _plain(each, model, loc)
            issues.append(Issue(name, line, column, "schema", message, hint))
        return None


def _plain(error: Any, model: type[BaseModel], loc: list[Any]) -> tuple[str, str]:
    """pydantic's error in plain words, and what to write instead."""
    where = ".".join(str(p) for p in loc) or "the entry"
    kind = error["type"]
    if kind == "missing":
        return f"'{where}' is missing", "add it; an absent field means unknown and this one must be known"
    if kind == "extra_forbidden":
        owner: Any = model
        for part in loc[:-1]:
            info = getattr(owner, "model_fields", {}).get(part)
            owner = _inner(info.annotation) if info else owner
        names = [f.alias or n for n, f in getattr(owner, "model_fields", {}).items()]
        near = nearest(str(loc[-1]), names)
        if error["input"] == "" and (" " in str(loc[-1]) or not near):
            return f"'{loc[-1]}' stands alone", "put the whole text in quotes: inside { } a comma ends it"
        return f"'{where}' is not a field here", near or f"known fields: {', '.join(names)}"
    if kind == "string_pattern_mismatch" and "-" in str(error.get("ctx", {}).get("pattern", "")):
        return f"'{where}': '{error['input']}' is no id", "use small letters, digits and single hyphens"
    if kind == "literal_error":
        return f"'{where}': '{error['input']}' is not allowed", f"write {error['ctx']['expected']}"
    text = error["msg"].removeprefix("Value error, ")
    given = (
        f" (it is '{str(error['input'])[:40]}')" if isinstance(error["input"], str) and kind != "value_error" else ""
    )
    return f"'{where}': {text}{given}" if kind != "value_error" else text, ""


def _inner(annotation: Any) -> Any:
    args = [a for a in getattr(annotation, "__args__", ()) if a is not type(None) and a is not Ellipsis]
    return _inner(args[0]) if args else annotation


def _files(root: Path) -> list[Path]:
    return sorted(p for p in root.rglob("*.yaml") if p.is_file() and not p.name.startswith("."))


def load_knowledge(
    root: Path,
    examples: bool = True,
    cache: Path | None = None,
    check: Callable[[Knowledge], list[Issue]] | None = None,
) -> Knowledge:
    """Read and validate every file under `root`.

    `examples=False` leaves the `.cases.yaml` files out (they change no diagnosis). `cache` is a folder where the parsed
    text of files that passed is kept as JSON, by content hash; from there, records are validated anew but know no
    places. `check` finds further issues in knowledge that does not come from the cache.

    Raises KnowledgeError with all problems of form, of fields and of doubled ids, or those of `check`. Whether
    meanings hold is the linter's work (:mod:`advisor.lint`).
    """
    files = [p for p in (_files(root) if root.is_dir() else []) if examples or not p.name.endswith(EXAMPLES)]
    if not files:
        raise KnowledgeError(
            [Issue(str(root), 1, 1, "file", "no knowledge files here", "give the folder that holds them")]
        )
    reader = _Reader(root)
    texts = reader.read(files)
    kept = cache / f"{reader.key}.json" if cache is not None else None
    trees = _cached(kept, len(texts)) if kept is not None else None
    if trees is None or reader.issues:
        trees = reader.parse(texts)
    kb = reader.build(trees)
    if kept is None or not kept.exists():
        issues = check(kb) if check is not None else []
        if issues:
            raise KnowledgeError(issues)
        if kept is not None:
            _keep(kept, trees)
    return kb


def _cached(path: Path, count: int) -> list[tuple[str, Tree]] | None:
    try:
        data = json.loads(path.read_text("utf-8"))
        return [(str(name), Tree(tree, {})) for name, tree in data] if len(data) == count else None
    except (OSError, ValueError, TypeError):
        return None


def _keep(path: Path, trees: list[tuple[str, Tree]]) -> None:
    """Write the cache; a folder that cannot be written only costs time."""
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        for old in path.parent.glob("*.json"):
            old.unlink(missing_ok=True)
        part = path.with_suffix(f".{os.getpid()}.part")
        part.write_text(json.dumps([(name, tree.data) for name, tree in trees], ensure_ascii=False), "utf-8")
        os.replace(part, path)
    except OSError:
        return


class _Reader:
    """Reads files, keeps records and collects every issue."""

    def __init__(self, root: Path) -> None:
        self.root = root
        self.issues: list[Issue] = []
        self.kinds: dict[str, dict[str, Any]] = {kind: {} for kind in KINDS}
        self.examples: dict[str, CauseExamples] = {}
        self.places: dict[tuple[Any, ...], Place] = {}
        self.vocabulary: Vocabulary | None = None
        self.digest = self.key = ""

    def read(self, files: list[Path]) -> list[tuple[str, str]]:
        """Names and texts of the files; the digest covers what can change a diagnosis, the key all of them."""
        digest, key = hashlib.sha256(), hashlib.sha256()
        texts = []
        for path in files:
            name = path.relative_to(self.root.parent).as_posix()
            try:
                raw = path.read_bytes()
                texts.append((name, raw.decode("utf-8")))
            except (OSError, UnicodeDecodeError) as error:
                self.issues.append(Issue(name, 1, 1, "file", f"cannot be read: {error}", "save it as UTF-8 text"))
                continue
            for covers in (key,) if name.endswith(EXAMPLES) else (key, digest):
                covers.update(path.relative_to(self.root).as_posix().encode() + b"\0" + raw + b"\0")
        self.digest, self.key = digest.hexdigest(), key.hexdigest()
        return texts

    def parse(self, texts: list[tuple[str, str]]) -> list[tuple[str, Tree]]:
        """The texts as trees; those that are no YAML become issues."""
        trees = []
        for name, text in texts:
            try:
                trees.append((name, parse_tree(text, name)))
            except KnowledgeError as error:
                self.issues.extend(error.issues)
        return trees

    def build(self, trees: list[tuple[str, Tree]]) -> Knowledge:
        """Records of all trees; KnowledgeError when there is any issue."""
        for name, tree in trees:
            if not isinstance(tree.data, dict):
                hint = "start with 'id: ...' or 'checks:'"
                self.issues.append(Issue(name, 1, 1, "schema", "the file must hold named fields", hint))
            elif len(name.split("/")) > 3 and name.split("/")[-3] == "causes":
                self.cause_file(name, tree)
            else:
                self.shared_file(name, tree)
        if self.vocabulary is None and not any(i.file.endswith("vocabulary.yaml") for i in self.issues):
            hint = "add vocabulary.yaml"
            self.issues.append(Issue(self.root.name, 1, 1, "file", "no 'vocabulary:' in any file", hint))
        if self.issues or self.vocabulary is None:
            raise KnowledgeError(self.issues)
        return Knowledge(
            vocabulary=self.vocabulary, examples=self.examples, digest=self.digest, places=self.places, **self.kinds
        )

    def shared_file(self, name: str, tree: Tree) -> None:
        """A file of lists by kind, or the vocabulary."""
        for key, data in tree.data.items():
            if key == "vocabulary":
                found = validated(Vocabulary, tree, data, (key,), name, self.issues)
                if found and not self.double((key,), "a vocabulary", tree, (key,), name):
                    self.vocabulary = found
                    self.place((key,), tree, (key,), name)
            elif key in KINDS and key != "causes" and isinstance(data, list):
                for index, entry in enumerate(data):
                    self.keep(key, tree, entry, (key, index), name)
            else:
                hint = nearest(key, KINDS) or f"known: vocabulary, {', '.join(k for k in KINDS if k != 'causes')}"
                what = f"'{key}' is no list of knowledge entries"
                self.issues.append(Issue(name, *tree.mark((key,)), "schema", what, hint))

    def keep(self, kind: str, tree: Tree, data: Any, path: tuple[Any, ...], name: str) -> Any:
        """Validate one entry and keep it; None when it has issues."""
        record: Any = validated(KINDS[kind], tree, data, path, name, self.issues)
        if record is None:
            return None
        if self.double((kind, record.id), f"{kind.removesuffix('s')} '{record.id}'", tree, path, name):
            return None
        self.kinds[kind][record.id] = record
        self.place((kind, record.id), tree, path, name)
        return record

    def place(self, key: tuple[str, ...], tree: Tree, path: tuple[Any, ...], name: str) -> None:
        """Note where a record and each of its parts stand."""
        for sub, mark in tree.below(path):
            self.places[(*key, *sub)] = (name, *mark)

    def double(self, key: tuple[str, ...], what: str, tree: Tree, path: tuple[Any, ...], name: str) -> bool:
        """Whether such a record was read before, which becomes an issue."""
        other = self.places.get(key)
        if other:
            hint = "remove one of them, or give it another id"
            said = f"{what} stands already in {other[0]}:{other[1]}"
            self.issues.append(Issue(name, *tree.mark(path), "double", said, hint))
        return other is not None

    def cause_file(self, name: str, tree: Tree) -> None:
        """A cause, or the examples beside one."""
        folder, stem = name.split("/")[-2], name.split("/")[-1].removesuffix(".yaml")
        if name.endswith(EXAMPLES):
            cause = stem.removesuffix(".cases")
            found = validated(CauseExamples, tree, tree.data, (), name, self.issues)
            if found and not self.double(("examples", cause), f"a file of examples of '{cause}'", tree, (), name):
                self.examples[cause] = found
                self.place(("examples", cause), tree, (), name)
            return
        record = self.keep("causes", tree, tree.data, (), name)
        if record is None:
            return
        if record.id != stem:
            what, hint = f"id '{record.id}' is not the file name", f"write 'id: {stem}' or rename the file"
            self.issues.append(Issue(name, *tree.mark(("id",)), "id", what, hint))
        if record.system != folder:
            what, hint = f"system '{record.system}' is not the folder", f"write 'system: {folder}' or move the file"
            self.issues.append(Issue(name, *tree.mark(("system",)), "id", what, hint))


def load_cases(root: Path) -> list[WorkedCase]:
    """Read worked cases from a file or a folder; raises KnowledgeError with every problem."""
    issues: list[Issue] = []
    cases: dict[str, WorkedCase] = {}
    files = [root] if root.is_file() else _files(root) if root.is_dir() else []
    if not files:
        raise KnowledgeError(
            [Issue(str(root), 1, 1, "file", "no case files here", "give a .yaml file or a folder of them")]
        )
    for path in files:
        name = path.name if root.is_file() else path.relative_to(root.parent).as_posix()
        try:
            tree = parse_tree(path.read_text("utf-8"), name)
        except KnowledgeError as error:
            issues.extend(error.issues)
            continue
        except (OSError, UnicodeDecodeError) as error:
            issues.append(Issue(name, 1, 1, "file", f"cannot be read: {error}"))
            continue
        entries = tree.data.get("cases") if isinstance(tree.data, dict) else None
        if not isinstance(entries, list):
            issues.append(Issue(name, 1, 1, "schema", "a case file holds a list 'cases:'"))
            continue
        for index, entry in enumerate(entries):
            case = validated(WorkedCase, tree, entry, ("cases", index), name, issues)
            if case is not None and case.id in cases:
                issues.append(Issue(name, *tree.mark(("cases", index)), "double", f"case '{case.id}' stands twice"))
            elif case is not None:
                cases[case.id] = case
    if issues:
        raise KnowledgeError(issues)
    return list(cases.values())


def shipped(folder: str) -> Path:
    """The folder `knowledge` or `cases` that came with the program (a checkout or an installed wheel)."""
    beside = Path(__file__).resolve().parent.parent / folder
    if beside.is_dir() and (beside.parent / "pyproject.toml").is_file():
        return beside
    return Path(str(resources.files("advisor"))) / "data" / folder
