"""The loader: every problem in one run, each at its place, and text that stays text."""

from __future__ import annotations

import contextlib
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from small_base import SmallBase, write_base

from advisor.issue import Issue, KnowledgeError
from advisor.load import load_cases, load_knowledge
from advisor.tree import MAX_BYTES, parse_tree


@pytest.fixture
def base(tmp_path: Path) -> SmallBase:
    return write_base(tmp_path)


def issues(base: SmallBase) -> list[Issue]:
    """What loading the base complains of; the test fails if it loads."""
    with pytest.raises(KnowledgeError) as caught:
        base.load()
    return caught.value.issues


def only(base: SmallBase) -> Issue:
    """The one complaint about a base."""
    found = issues(base)
    assert len(found) == 1, [str(i) for i in found]
    return found[0]


def refused(text: str) -> Issue:
    """The complaint about one text of YAML."""
    with pytest.raises(KnowledgeError) as caught:
        parse_tree(text, "x.yaml")
    assert len(caught.value.issues) == 1
    return caught.value.issues[0]


def at(issue: Issue) -> tuple[str, int, int]:
    return issue.file, issue.line, issue.column


def test_a_sound_base_loads_with_every_record_at_its_place(base: SmallBase) -> None:
    kb = base.load()
    assert set(kb.causes) == {"burr-worn", "burr-loose", "air-low"}
    assert set(kb.examples) == set(kb.causes)
    assert kb.place("checks", "burr-tug") == ("mill/checks.yaml", base.line("checks.yaml", "id: burr-tug"), 5)
    link = base.line("causes/burr/burr-worn.yaml", "outcome: gradual")
    assert kb.place("causes", "burr-worn", "shows", 3) == ("mill/causes/burr/burr-worn.yaml", link, 5)


def test_every_problem_is_reported_in_one_run_with_file_line_and_column(base: SmallBase) -> None:
    base.replace("symptoms.yaml", "    title: Margin chipped\n", "")
    base.replace("rules.yaml", "then: {exclude: air-low}", "then: {exlude: air-low}")
    base.replace("causes/air/air-low.yaml", "per_hundred: 8", "per_hundred: many")
    base.replace("cautions.yaml", "signal: warning", "signal: shout")
    base.replace("remedies.yaml", "id: clamp-burr", "id: Clamp_Burr")
    base.write("sources.yaml", "sources: [")
    found = issues(base)
    assert {i.file: i.code for i in found} == {
        "mill/symptoms.yaml": "schema",
        "mill/rules.yaml": "schema",
        "mill/causes/air/air-low.yaml": "schema",
        "mill/cautions.yaml": "schema",
        "mill/remedies.yaml": "schema",
        "mill/sources.yaml": "yaml",
    }
    places = {at(i) for i in found}
    assert ("mill/symptoms.yaml", 2, 5) in places  # a missing field: the entry it is missing from
    assert ("mill/rules.yaml", base.line("rules.yaml", "exlude"), 20) in places
    assert ("mill/causes/air/air-low.yaml", 5, 22) in places
    assert ("mill/cautions.yaml", base.line("cautions.yaml", "shout"), 13) in places
    assert ("mill/remedies.yaml", base.line("remedies.yaml", "Clamp_Burr"), 9) in places
    assert found == sorted(found)


def test_a_missing_field_is_named(base: SmallBase) -> None:
    base.replace("causes/air/air-low.yaml", ", because: another machine joined the line", "")
    issue = only(base)
    assert "'shows.2.because' is missing" in issue.message
    assert issue.line == base.line("causes/air/air-low.yaml", "outcome: sudden")


def test_a_bad_entry_of_a_list_is_not_also_reported_as_a_list_too_short(base: SmallBase) -> None:
    base.replace("causes/air/air-low.yaml", ", because: if the line has more to give", "")
    assert "'remedies.0.because' is missing" in only(base).message


@pytest.mark.parametrize(
    ("file", "old", "new", "hint"),
    [
        ("checks.yaml", "    needs: [loupe]", "    need: [loupe]", "did you mean needs"),
        ("rules.yaml", "- {check: air-gauge, is: [ok]}", "- {chek: air-gauge, is: [ok]}", "check"),
        ("rules.yaml", "before: [burr-look]", "befor: [burr-look]", "before"),
        ("checks.yaml", "blunt, label: bright and bare", "blunt, lable: bright and bare", "label"),
        ("causes/air/air-low.yaml", "per_hundred: 8", "per_hunderd: 8", "per_hundred"),
        ("rules.yaml", "- {finding: short-of-air}", "- not: {findng: short-of-air}", "finding"),
    ],
)
def test_an_unknown_field_brings_the_nearest_known_one(
    base: SmallBase, file: str, old: str, new: str, hint: str
) -> None:
    base.replace(file, old, new)
    found = [i for i in issues(base) if "is not a field here" in i.message]
    assert len(found) == 1
    assert hint in found[0].hint
    assert found[0].hint.startswith("did you mean")
    assert found[0].line == base.line(file, new.split("\n")[0].strip())


def test_an_unknown_field_like_none_brings_the_list_of_fields(base: SmallBase) -> None:
    base.replace("sources.yaml", "known: derived}", "known: derived, zzz: 1}")
    assert only(base).hint == "known fields: id, title, year, known"


def test_an_unknown_kind_of_list_brings_the_nearest_kind(base: SmallBase) -> None:
    base.replace("remedies.yaml", "remedies:\n", "remedys:\n")
    issue = only(base)
    assert "remedies" in issue.hint
    assert issue.file == "mill/remedies.yaml"


def test_an_unquoted_comma_inside_braces_brings_the_quoting_hint(base: SmallBase) -> None:
    base.replace("sources.yaml", "title: follows from geometry", "title: follows from geometry, worked out here")
    issue = only(base)
    assert "'worked out here' stands alone" in issue.message
    assert "quotes" in issue.hint
    assert "comma" in issue.hint
    assert issue.line == base.line("sources.yaml", "worked out here")


def test_an_unquoted_comma_before_one_word_brings_the_quoting_hint(base: SmallBase) -> None:
    base.replace("sources.yaml", "title: follows from geometry", "title: follows from geometry, mechanics")
    assert "quotes" in only(base).hint


@pytest.mark.parametrize("text", ["yes", "no", "on", "5/6", "0.10", "010", "1e3", "2024-01-02", "12:30", "null", "~"])
def test_scalars_stay_the_text_they_are(text: str) -> None:
    assert parse_tree(f"a: {text}\nb: [{text}]\n{text}: c", "x").data == {"a": text, "b": [text], text: "c"}


def test_text_becomes_a_number_only_where_the_field_is_one(base: SmallBase) -> None:
    base.replace("sources.yaml", "title: follows from geometry", "title: 0.10")
    base.replace("causes/air/air-low.yaml", "per_hundred: 8", "per_hundred: 0.10")
    base.replace("causes/air/air-low.yaml", "raise-air, cures: frequent", "raise-air, cures: 5/6")
    kb = base.load()
    assert kb.sources["geometry"].title == "0.10"
    assert kb.causes["air-low"].prior.per_hundred == pytest.approx(0.1)
    assert kb.causes["air-low"].remedies[0].cures == "5/6"
    assert kb.vocabulary.share("5/6") == pytest.approx(6 / 8)  # mean of Beta(1+5, 1+6-5), worked by hand


def test_a_doubled_key_is_refused_where_it_stands_again() -> None:
    issue = refused("a: 1\nb:\n  c: 1\n  d: 2\n  c: 3\n")
    assert at(issue) == ("x.yaml", 5, 3)
    assert "'c'" in issue.message


@pytest.mark.parametrize("text", ["a: &x 1", "a: *x", "a: &x [1]\nb: *x", "- &x {<<: *x}"])
def test_anchors_and_aliases_are_refused(text: str) -> None:
    issue = refused(text)
    assert "anchors and aliases" in issue.message
    assert issue.line == 1


def test_an_alias_bomb_is_refused_at_its_first_anchor() -> None:
    rows = ["a0: &a0 [lol, lol]"] + [f"a{i}: &a{i} [{', '.join([f'*a{i - 1}'] * 9)}]" for i in range(1, 30)]
    issue = refused("\n".join(rows))
    assert at(issue) == ("x.yaml", 1, 5)


def test_ampersand_and_star_in_plain_text_are_no_anchors() -> None:
    assert parse_tree("a: R&D\nb: 2 * 3\nc: '*'", "x").data == {"a": "R&D", "b": "2 * 3", "c": "*"}


@pytest.mark.parametrize("text", ["a: !x 1", "a: !x [1]", "a: !x {b: 1}", "a:\n  - !<tag:example.org,2000:x> 1"])
def test_a_tag_is_refused_where_it_stands(text: str) -> None:
    issue = refused(text)
    assert "tags" in issue.message
    assert issue.line == text.count("\n") + 1


@pytest.mark.parametrize("text", ["a: !!python/object/apply:print [x]", 'a: !!int "5"', "!x a: 1", "!!map {a: 1}"])
def test_a_tag_of_yaml_itself_and_a_tag_of_a_key_are_refused(text: str) -> None:
    refused(text)


def test_a_tag_that_names_code_runs_nothing(capsys: pytest.CaptureFixture[str]) -> None:
    with contextlib.suppress(KnowledgeError):
        parse_tree("a: !!python/object/apply:print [ran]", "x")
    assert capsys.readouterr().out == ""


def test_deep_nesting_is_refused_and_the_usual_depth_is_not() -> None:
    assert parse_tree("[" * 12 + "x" + "]" * 12, "x").data == [[[[[[[[[[[["x"]]]]]]]]]]]]
    assert "nested too deeply" in refused("[" * 14 + "x" + "]" * 14).message
    assert "nest" in refused("{a: " * 500 + "x" + "}" * 500).message


@pytest.mark.parametrize("opening", ["[", "{a: ", "- "])
def test_nesting_without_end_is_a_problem_of_the_file_and_no_crash(opening: str) -> None:
    refused(opening * 50_000)


def test_a_huge_file_is_refused_by_its_size(base: SmallBase) -> None:
    base.write("more.yaml", "# " + "x" * MAX_BYTES)
    issue = only(base)
    assert issue.file == "mill/more.yaml"
    assert "larger than 2 MB" in issue.message
    assert issue.hint == "split it"


def test_a_file_that_is_not_utf8_is_named_and_the_others_are_still_read(base: SmallBase) -> None:
    (base.root / "symptoms.yaml").write_bytes("symptoms: [{id: überhitzt}]".encode("latin-1"))
    base.replace("cautions.yaml", "signal: warning", "signal: shout")
    found = {i.file: i for i in issues(base)}
    assert set(found) == {"mill/symptoms.yaml", "mill/cautions.yaml"}
    assert found["mill/symptoms.yaml"].code == "file"
    assert "UTF-8" in found["mill/symptoms.yaml"].hint


def test_a_byte_order_mark_does_no_harm(base: SmallBase) -> None:
    raw = (base.root / "sources.yaml").read_bytes()
    (base.root / "sources.yaml").write_bytes(b"\xef\xbb\xbf" + raw)
    assert set(base.load().sources) == {"common-practice", "geometry"}


@pytest.mark.parametrize("text", ["a: [1", "a: 'x", "a: b: c", "\ta: 1", "a: 1\n---\nb: 2", "a: \x00", "? [a]\n: 1"])
def test_broken_yaml_is_refused_with_a_place(text: str) -> None:
    issue = refused(text)
    assert issue.code == "yaml"
    assert issue.file == "x.yaml"
    assert 1 <= issue.line <= text.count("\n") + 2
    assert issue.column >= 1


def test_an_id_that_is_not_the_file_name_and_a_system_that_is_not_the_folder(base: SmallBase) -> None:
    base.replace("causes/air/air-low.yaml", "id: air-low", "id: air-lower")
    base.replace("causes/air/air-low.yaml", "system: air", "system: burr")
    first, second = issues(base)
    assert (first.code, first.line, first.hint) == ("id", 1, "write 'id: air-low' or rename the file")
    assert (second.code, second.line, second.hint) == ("id", 3, "write 'system: air' or move the file")
    assert first.file == second.file == "mill/causes/air/air-low.yaml"


def test_a_doubled_id_names_the_other_place(base: SmallBase) -> None:
    entry = base.text("sources.yaml").splitlines()[2].removeprefix("  - ")
    base.write("zz.yaml", f"sources:\n  - {entry}\n")  # read after sources.yaml
    issue = only(base)
    assert (issue.code, at(issue)) == ("double", ("mill/zz.yaml", 2, 5))
    assert "source 'geometry'" in issue.message
    assert f"mill/sources.yaml:{base.line('sources.yaml', 'id: geometry')}" in issue.message


def test_a_doubled_id_in_one_file_names_the_other_line(base: SmallBase) -> None:
    base.replace("checks.yaml", "id: burr-tug", "id: burr-look")
    issue = only(base)
    assert f"mill/checks.yaml:{base.text('checks.yaml').splitlines().index('  - id: burr-look') + 1}" in issue.message


def test_a_cause_in_two_folders_is_doubled(base: SmallBase) -> None:
    text = base.text("causes/burr/burr-worn.yaml").replace("system: burr", "system: air")
    base.write("causes/air/burr-worn.yaml", text)
    found = issues(base)
    assert [i.code for i in found] == ["double"]


def test_examples_of_one_cause_in_two_folders_are_doubled(base: SmallBase) -> None:
    base.write("causes/air/burr-worn.cases.yaml", base.text("causes/burr/burr-worn.cases.yaml"))
    assert [i.code for i in issues(base)] == ["double"]


def test_a_second_vocabulary_is_doubled(base: SmallBase) -> None:
    base.write("more.yaml", base.text("vocabulary.yaml"))
    assert [i.code for i in issues(base)] == ["double"]
    assert "mill/more.yaml:2" in only(base).message  # read before it


@pytest.mark.parametrize("word", ["unknown", "n/a", "N/A", "TBD", "todo", "none", '"?"', "various"])
@pytest.mark.parametrize(
    ("file", "old", "field"),
    [
        ("causes/air/air-low.yaml", "because: another machine joined the line", "because"),
        (
            "causes/air/air-low.yaml",
            "why: Without enough air the spindle turns slower and the mill lowers its feed.",
            "why",
        ),
        ("checks.yaml", "expect: It does not move.", "expect"),
        ("cautions.yaml", "text: Let the pressure out before a hose is loosened.", "text"),
    ],
)
def test_filler_words_are_refused(base: SmallBase, file: str, old: str, field: str, word: str) -> None:
    base.replace(file, old, f"{field}: {word}")
    issue = only(base)
    assert "says nothing" in issue.message
    assert field in issue.message
    assert issue.file == f"mill/{file}"


def test_a_sentence_that_holds_a_filler_word_is_fine(base: SmallBase) -> None:
    base.replace("causes/air/air-low.yaml", "because: if the line has more to give", "because: none of it is unknown")
    assert base.load().causes["air-low"].remedies[0].because == "none of it is unknown"


@pytest.mark.parametrize(
    ("file", "text"),
    [("checks.yaml", "- a\n- b\n"), ("checks.yaml", "just text"), ("checks.yaml", "checks: {id: x}\n")],
)
def test_a_file_of_another_shape_is_refused(base: SmallBase, file: str, text: str) -> None:
    base.write(file, text)
    issue = only(base)
    assert issue.file == f"mill/{file}"
    assert issue.hint


def test_no_vocabulary_and_no_files_are_named(base: SmallBase, tmp_path: Path) -> None:
    (base.root / "vocabulary.yaml").unlink()
    assert "vocabulary" in only(base).message
    assert "no knowledge files" in only(SmallBase(tmp_path / "nowhere")).message


@pytest.mark.parametrize(
    ("file", "old", "new", "said"),
    [
        ("rules.yaml", "then: {exclude: air-low}", "then: {exclude: air-low, caution: hose-whips}", "exactly one"),
        ("rules.yaml", "- {finding: short-of-air}", "- {finding: short-of-air, symptom: chips}", "exactly one"),
        ("rules.yaml", "- {check: air-gauge, is: [ok]}", "- {check: air-gauge}", "say what it must be"),
        ("rules.yaml", "- {check: air-gauge, is: [ok]}", "- {check: air-gauge, is: [ok], above: 1}", "either"),
        ("rules.yaml", "- {check: air-gauge, is: [ok]}", "- {symptom: chips, is: [present, absent]}", "one of them"),
        ("rules.yaml", "- {check: air-gauge, is: [ok]}", "- {remedy: raise-air, above: 1}", "only a check"),
        ("rules.yaml", "- {finding: short-of-air}", "- {finding: short-of-air, is: low}", "no 'is'"),
        ("rules.yaml", "- {check: air-gauge, is: [ok]}", "- {check: air-gauge, is: []}", "at least 1 item"),
        ("rules.yaml", "when:\n      - {finding: short-of-air}", "when: []", "at least one condition"),
        ("checks.yaml", "    unit: MPa\n", "", "a measurement needs 'unit'"),
        ("vocabulary.yaml", "share: 0.2,", "share: 1.2,", "frequency.2.share"),
        (
            "checks.yaml",
            "{id: moves, label: moves or turns}",
            "{id: moves, label: it moves, to: 3}",
            "only a measurement",
        ),
        ("checks.yaml", "{id: moves,", "{id: firm,", "same id"),
        ("checks.yaml", "    expect: It does not move.\n", "", "'expect'"),
        ("instruments.yaml", "span: 1, ", "", "needs 'span'"),
        ("causes/air/air-low.yaml", "outcome: low, ", "", "names its 'outcome'"),
        ("causes/air/air-low.yaml", "per_hundred: 8", "per_hundred: 99", "per_hundred"),
        ("causes/air/air-low.yaml", "seen: occasional", "seen: Sometimes!", "seen"),
    ],
)
def test_what_a_record_may_not_say(base: SmallBase, file: str, old: str, new: str, said: str) -> None:
    base.replace(file, old, new)
    issue = only(base)
    assert (issue.file, issue.code) == (f"mill/{file}", "schema")
    assert said in issue.message


def test_an_issue_prints_as_file_line_column_code_and_hint(base: SmallBase) -> None:
    base.replace("cautions.yaml", "signal: warning", "signal: shout")
    line = base.line("cautions.yaml", "shout")
    first, second = str(only(base)).splitlines()
    assert first.startswith(f"mill/cautions.yaml:{line}:13: schema: ")
    assert second.strip().startswith("write ")


def test_the_cache_gives_the_same_records_and_no_stale_ones(base: SmallBase, tmp_path: Path) -> None:
    cache = tmp_path / "cache"
    fresh = load_knowledge(base.root, cache=cache)
    assert load_knowledge(base.root, cache=cache) == fresh
    base.replace("cautions.yaml", "signal: warning", "signal: danger")
    assert load_knowledge(base.root, cache=cache).cautions["hose-whips"].signal == "danger"
    for kept in cache.glob("*.json"):
        kept.write_text("{", "utf-8")
    assert load_knowledge(base.root, cache=cache).cautions["hose-whips"].signal == "danger"


def test_the_cache_gives_no_stale_examples(base: SmallBase, tmp_path: Path) -> None:
    load_knowledge(base.root, cache=tmp_path / "cache")
    base.replace("causes/air/air-low.cases.yaml", "air-gauge: 0.4 MPa", "air-gauge: 0.3 MPa")
    kb = load_knowledge(base.root, cache=tmp_path / "cache")
    assert kb.examples["air-low"].ranks[0].answers == {"air-gauge": "0.3 MPa"}


def test_problems_of_cases_are_all_reported_with_their_place(tmp_path: Path) -> None:
    case = "- {{id: {0}, title: Slow mill, story: It got slow., causes: [air-low]}}\n"
    folder = tmp_path / "cases"
    folder.mkdir()
    (folder / "a.yaml").write_text("cases:\n  " + case.format("one") + "  " + case.format("one"), "utf-8")
    (folder / "b.yaml").write_text("cases:\n  - {id: two, tittle: Slow mill, story: It got slow.}\n", "utf-8")
    (folder / "c.yaml").write_text("- x\n", "utf-8")
    with pytest.raises(KnowledgeError) as caught:
        load_cases(folder)
    found = caught.value.issues
    assert {i.file for i in found} == {"cases/a.yaml", "cases/b.yaml", "cases/c.yaml"}
    assert ("cases/a.yaml", 3, 5) in {at(i) for i in found}
    assert any("title" in i.hint for i in found if i.file == "cases/b.yaml")


def assert_texts(data: object) -> None:
    """Nothing but texts, lists and mappings."""
    assert isinstance(data, str | list | dict)
    for item in [*data.keys(), *data.values()] if isinstance(data, dict) else data if isinstance(data, list) else []:
        assert_texts(item)


yamlish = st.lists(
    st.sampled_from(["a", "b", ": ", "\n", "  ", "- ", "[", "]", "{", "}", ", ", "'", '"', "&x ", "*x", "!t ", "!!", "#", "|", ">", "? ", "---\n", "%", "\t", "<<", "\\", "é", "\x85"]),
    max_size=40,
).map("".join)  # fmt: skip


@settings(max_examples=300, deadline=None)
@given(st.text(max_size=200) | st.text(st.characters(exclude_categories=()), max_size=30) | yamlish)
def test_any_text_becomes_a_tree_of_texts_or_a_knowledge_error(text: str) -> None:
    try:
        tree = parse_tree(text, "x.yaml")
    except KnowledgeError as error:
        found = error.issues
    else:
        found = []
        assert_texts(tree.data)
    assert all(i.line >= 1 and i.column >= 1 and i.file == "x.yaml" for i in found)
