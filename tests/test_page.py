"""The review page: what it says, and how it behaves in a real browser.

The browser tests need Chromium and its driver; without them they are skipped, unless ADVISOR_TEST_ALL=1.
"""

from __future__ import annotations

import base64
import io
import os
import random
import re
import shutil
from collections.abc import Iterator
from dataclasses import replace
from html.parser import HTMLParser
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from test_casesheet import ANSWERS, Sheets, attach, png

from advisor.caserow import CaseRow, DiaryEntry, Reading
from advisor.compiled import Compiled
from advisor.paper.page import page_html, write_page
from advisor.review.figures import Prices, Review, period_of, review_of

EVIL = "<script>window.hit=1</script><img src=x onerror='window.hit=1'> $\\frac{1}$ \u202e" + "W" * 120
QUESTIONS = 4


def _at(day: int) -> str:
    return f"2026-{1 + day // 28:02d}-{1 + day % 28:02d}T09:00:00.000+00:00"


def made_review(compiled: Compiled, evil: str = "") -> Review:
    """Half a year of an invented lab: causes of all sorts, a drifting run-out, a fix that did not hold, worn burrs."""
    rng = random.Random(5)
    causes, remedies = list(compiled.kb.causes)[:14], list(compiled.kb.remedies)[:5]
    cautions = tuple(compiled.kb.cautions)[:2]
    rows, readings = [], []
    for i in range(60):
        day = 3 * i
        cause = causes[min(int(rng.expovariate(0.3)), len(causes) - 1)]
        case, mill = f"26{i:04d}-aaaa", ("north", "quay", "tide" + evil)[i % 3]
        row = CaseRow(
            bench="bench-1",
            case=case,
            begun=_at(day),
            mill=mill,
            technician=("Ines", "Tomas" + evil)[i % 2],
            material="zirconia",
            complaint="edges chipped" + evil,
            symptoms=("margin-chipped",),
            how="confirmed",
            cause=cause if i % 9 else None,
            closed=_at(day + 1),
            first_cause=cause if rng.random() < 0.7 else causes[0],
            first_probability=rng.random(),
            remedies=((remedies[i % 5], "helped"),),
            remedy=remedies[i % 5],
            fixed=_at(day + 1),
            minutes=20 + 5.0 * (i % 7),
            blocks=float(i % 3),
            cautions=cautions,
            reviewed="approved" if i < 30 else None,
            reviewer="Wiebke" if i < 30 else None,
            final_cause=cause if i % 9 else None,
        )
        if i == 7:
            row = replace(row, cause="gone-cause" + evil, final_cause="gone-cause" + evil)
        if i == 59:
            row = replace(
                row, how=None, closed=None, cause=None, final_cause=None, remedies=(), remedy=None, fixed=None
            )
        rows.append(row)
        value = 7 + rng.gauss(0, 0.6) + max(0.0, 0.35 * (i - 25))
        if mill == "north":
            readings.append(Reading("bench-1", case, "runout-shank", _at(day), mill, round(value, 1), "um"))
    diary = [
        DiaryEntry("bench-1", "north", _at(9), {"type": "changed", "what": "new collet" + evil, "by": "Ines"}),
        DiaryEntry("bench-1", "north", _at(10), {"type": "care", "task": next(iter(compiled.kb.care)), "by": "Ines"}),
        DiaryEntry(
            "bench-1", "north", _at(20), {"type": "produced", "from": "2026-01-01", "to": "2026-06-30", "made": 800}
        ),
    ]
    return review_of(
        period_of("2026-01-01", "2026-07-10"),
        rows,
        readings,
        diary,
        compiled.kb,
        prices=Prices("EUR", {"zirconia": 30.0}, 60.0),
        burrs=(HOURS[0], HOURS[1]),
    )


HOURS = ([6.0, 9, 12, 13, 14, 16, 18, 20], [5.0, 8, 10])


@pytest.fixture(scope="module")
def review(compiled: Compiled) -> Review:
    return made_review(compiled)


@pytest.fixture(scope="module")
def page(compiled: Compiled, review: Review) -> Page:
    html = page_html(
        review, compiled, title="Review of spring", invented=True, made_at="2026-07-10T12:00:00+00:00", burr_hours=HOURS
    )
    return Page(html)


@pytest.fixture(scope="module")
def harmed(compiled: Compiled) -> str:
    """The page with harmful text in every field that people type."""
    review, title = made_review(compiled, EVIL), f"Review of spring {EVIL}"
    return page_html(review, compiled, title=title, invented=True, made_at=EVIL, burr_hours=HOURS)


class Page(HTMLParser):
    """Tags with attributes, text, headings and tables of a page."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.html = html
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.words: list[str] = []
        self.tables: list[dict[str, Any]] = []
        self._inside: list[str] = []
        self.feed(html)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        self._inside.append(tag)
        if tag == "table":
            self.tables.append({"caption": "", "rows": []})
        elif tag == "tr":
            self.tables[-1]["rows"].append([])
        elif tag in ("td", "th"):
            self.tables[-1]["rows"][-1].append("")

    def handle_endtag(self, tag: str) -> None:
        while self._inside and self._inside.pop() != tag:
            pass

    def handle_data(self, data: str) -> None:
        if "style" in self._inside:
            return
        self.words.append(data)
        if "caption" in self._inside:
            self.tables[-1]["caption"] += data
        elif {"td", "th"} & set(self._inside):
            self.tables[-1]["rows"][-1][-1] += data

    @property
    def text(self) -> str:
        return re.sub(r"\s+", " ", " ".join(self.words))

    def table(self, caption: str, exact: bool = False) -> list[list[str]]:
        """The rows of a table below its head; `caption` is how its caption begins, or the whole of it."""
        rows = next(
            t["rows"]
            for t in self.tables
            if t["caption"] == caption or (not exact and t["caption"].startswith(caption))
        )
        return [[cell.strip() for cell in row] for row in rows[1:]]


def test_the_four_answers_come_first_in_their_order(page: Page, review: Review) -> None:
    places = [page.text.index(glance.answer.replace(" um", " µm")) for glance in review.glance]
    assert len(places) == QUESTIONS
    assert places == sorted(places)
    assert places[-1] < page.text.index("Pareto chart")


def test_the_table_of_the_pareto_chart_holds_all_causes_in_order(page: Page, review: Review) -> None:
    rows = page.table("Causes and what they cost")
    assert [row[0] for row in rows] == [
        f"{i}. {c.title} {c.cause or ''}".strip() for i, c in enumerate(review.causes, start=1)
    ]
    assert [row[-1] for row in rows] == [f"{100 * c.cumulative:.0f} %" for c in review.causes]
    assert rows[-1][-1] == "100 %"


def test_a_drifting_series_is_drawn_with_a_table_of_its_readings(page: Page, review: Review) -> None:
    trend = review.trends[0]
    assert trend.drift == "up"
    rows = page.table("Readings: Run-out at the burr shank, mill north")
    count = len(trend.values)
    shown = sorted({*trend.signals[-8:], *range(count - 8, count)})  # the last of both; the chart shows all
    assert [row[2] for row in rows] == [f"{trend.values[i]:.4g}" for i in shown]
    assert [row[4] != "" for row in rows] == [i in trend.signals for i in shown]
    assert f"Drawn but not listed: {count - len(shown)} earlier readings." in page.text
    assert re.search(r"Individuals chart: Run-out at the burr shank, mill north", page.html)
    assert "The series drifts up." in page.text


def test_a_drift_that_may_never_meet_the_limit_names_no_day(compiled: Compiled, review: Review) -> None:
    trend = review.trends[0]
    assert trend.pace is not None

    def words(latest: float | None) -> str:
        pace = replace(trend.pace, beyond=False, days=513.0, soonest=192.0, latest=latest)  # type: ignore[type-var]
        made = replace(review, trends=(replace(trend, pace=pace), *review.trends[1:]))
        html = page_html(made, compiled, title="T", invented=True, made_at="2026-07-10T12:00:00+00:00")
        return Page(html).table("All series")[0][-1]

    assert words(900.0).endswith("meets the limit 10 µm in about 513 days (192 to 900)")
    assert "meets" not in words(None)


def test_a_long_quantity_is_written_whole_beside_its_chart(compiled: Compiled) -> None:
    readings = [
        Reading("b", f"c{i}", "air-static", _at(i), "quay", 0.65 - 0.002 * max(i - 20, 0) + 0.002 * (i % 3), "MPa")
        for i in range(60)
    ]
    found = review_of(period_of("2026-01-01", "2026-07-10"), [], readings, [], compiled.kb)
    assert found.trends[0].signals
    html = page_html(found, compiled, title="T", invented=True, made_at="2026-07-10T12:00:00+00:00")
    drawn = re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", html[html.index("<svg") : html.index("</svg>")]))
    assert re.findall(r"gauge pressure at the mill's inlet, MPa", drawn)


def test_pieces_are_whole_and_remedies_that_held_stand_in_a_line(compiled: Compiled) -> None:
    made = {"type": "produced", "from": "2025-12-20", "to": "2026-01-21", "made": 100, "scrapped": 7}
    symptom, remedies = next(iter(compiled.kb.symptoms)), list(compiled.kb.remedies)[:3]
    rows = [
        CaseRow(
            "b", f"c{i}", _at(i), mill="quay", symptoms=(symptom,) if i < 3 else (), how="confirmed", cause="burr-worn",
            remedies=((remedies[max(i - 2, 0)], "helped"),), remedy=remedies[max(i - 2, 0)], fixed=_at(i),
            final_cause="burr-worn" if i < 3 else f"else-{i}",
        )
        for i in range(5)
    ]  # fmt: skip
    diary = [DiaryEntry("b", "quay", _at(9), made)]
    found = review_of(period_of("2026-01-01", "2026-07-10"), rows, [], diary, compiled.kb)
    html = page_html(found, compiled, title="T", invented=True, made_at="2026-07-10T12:00:00+00:00")
    page = Page(html)
    assert page.table("The mills")[0][3:6] == ["64", "4", "the diary"]  # 21 of 33 days
    rows_shown = page.table("Remedies that did not hold")
    assert [row[1:3] for row in rows_shown] == [["3", "2"]]
    assert rows_shown[0][0].startswith(compiled.kb.remedies[remedies[0]].title)
    assert "2 remedies held each time." in page.text
    assert [row[4] for row in page.table("Complaints that came back")] == ["1 day", "1 day"]


def test_cases_are_named_with_day_mill_and_cause(page: Page, review: Review) -> None:
    listed = {row[0]: row[1:] for row in page.table("Cases", exact=True)}
    sign = review.sign[0]
    assert listed[sign.case] == [sign.begun[:10], sign.mill, sign.title]


def test_open_cases_are_told_by_their_complaint(compiled: Compiled) -> None:
    rows = [CaseRow("b", "c1", _at(3), mill="tide", complaint="edges chipped")]
    found = review_of(period_of("2026-01-01", "2026-07-10"), rows, [], [], compiled.kb)
    page = Page(page_html(found, compiled, title="T", invented=False, made_at="2026-07-10T12:00:00+00:00"))
    told = ["c1", "2026-01-04", "tide", "edges chipped"]
    assert page.table("Open cases") == [told]
    assert page.table("Cases", exact=True) == [told]


def test_cases_that_wait_for_an_answer_stand_apart(compiled: Compiled) -> None:
    rows = [
        CaseRow("b", f"c{i}", _at(i), mill="quay", how="referred", reviewed="asked" if i else None) for i in range(3)
    ]
    found = review_of(period_of("2026-01-01", "2026-07-10"), rows, [], [], compiled.kb)
    page = Page(page_html(found, compiled, title="T", invented=False, made_at="2026-07-10T12:00:00+00:00"))
    assert [row[0] for row in page.table("Cases to sign")] == ["c0"]
    assert [row[0] for row in page.table("Cases that wait")] == ["c1", "c2"]
    assert "1 case. 2 more wait for the technician's answer." in page.text


def test_utc_is_said_once_and_no_word_of_statistics_but_in_the_notes(page: Page) -> None:
    assert page.text.count("UTC") == 1
    notes = page.html.index('<section class="part" id="notes"')
    for word in ("EWMA", "Kaplan-Meier", "Wilson", "Brier", "Weibull", "baseline"):
        assert not re.search(rf">[^<]*{word}", page.html[:notes])
        assert word in page.html[notes:]


def test_each_chart_has_title_words_and_a_table(page: Page) -> None:
    charts = [attrs for tag, attrs in page.tags if tag == "svg"]
    assert len(charts) == 4
    ids = [attrs["id"] for _, attrs in page.tags if attrs.get("id")]
    for chart in charts:
        assert chart["role"] == "img"
        assert chart["aria-labelledby"] in ids
        assert chart["aria-describedby"] in ids
        assert chart["viewbox"]
    for caption in ("Causes and", "Readings:", "What was said", "Burr life"):
        assert page.table(caption)


def test_ids_are_unique_and_every_link_finds_its_end(page: Page) -> None:
    ids = [attrs["id"] for _, attrs in page.tags if attrs.get("id")]
    assert len(ids) == len(set(ids))
    ends = [str(attrs["href"]) for _, attrs in page.tags if str(attrs.get("href", "")).startswith("#")]
    ends += re.findall(r"url\((#[^)]+)\)", page.html)
    assert len(ends) > 50
    assert {end[1:] for end in ends} <= set(ids)


def test_causes_and_cases_are_found_by_their_ids(page: Page, review: Review) -> None:
    ids = {attrs.get("id") for _, attrs in page.tags}
    assert {f"cause-{c.cause}" for c in review.causes if c.cause} <= ids
    assert {f"case-{s.case}" for s in review.sign} | {f"case-{case}" for case in review.open} <= ids
    listed = {row[0] for row in page.table("Cases")}
    assert {s.case for s in review.sign} <= listed


def test_every_table_has_a_caption_and_scopes(page: Page) -> None:
    assert all(table["caption"].strip() for table in page.tables)
    heads = [attrs for tag, attrs in page.tags if tag == "th"]
    assert heads
    assert {head.get("scope") for head in heads} == {"col", "row"}


def test_the_page_needs_nothing_from_elsewhere(page: Page) -> None:
    assert {tag for tag, _ in page.tags}.isdisjoint({"script", "iframe", "object", "img", "form"})
    policy = next(
        a["content"] for t, a in page.tags if t == "meta" and a.get("http-equiv") == "Content-Security-Policy"
    )
    assert policy == "default-src 'none'; style-src 'unsafe-inline'; img-src data:"
    links = [str(attrs.get("href") or attrs.get("src") or "") for _, attrs in page.tags]
    assert [link for link in links if link and not link.startswith(("#", "data:"))] == []


def test_invented_data_is_marked(compiled: Compiled) -> None:
    nothing = review_of(period_of("2026-01-01", "2026-02-01"), [], [], [], compiled.kb)

    def made(invented: bool) -> str:
        return page_html(nothing, compiled, title="T", invented=invented, made_at="2026-07-10T12:00:00+00:00")

    assert made(True).count("INVENTED DATA") >= 3  # window title, top, bottom
    assert "INVENTED" not in made(False)


def test_a_quiet_time_makes_a_page(compiled: Compiled, tmp_path: Path) -> None:
    nothing = review_of(period_of("2026-01-01", "2026-02-01"), [], [], [], compiled.kb)
    path = tmp_path / "quiet.html"
    write_page(nothing, path, compiled, title="Quiet", invented=False, made_at="")
    page = Page(path.read_text("utf-8"))
    for words in (
        "No case was closed in this time.",
        "Nothing waits to be signed.",
        "No case is open.",
        "None came back.",
    ):
        assert words in page.text
    assert "svg" not in {tag for tag, _ in page.tags}


def test_a_page_that_cannot_be_written_is_an_error_of_the_system(compiled: Compiled, tmp_path: Path) -> None:
    nothing = review_of(period_of("2026-01-01", "2026-02-01"), [], [], [], compiled.kb)
    with pytest.raises(OSError, match="nowhere"):
        write_page(nothing, tmp_path / "nowhere" / "r.html", compiled, title="T", invented=False, made_at="")


def test_typed_text_is_harmless_and_still_there(harmed: str) -> None:
    page = Page(harmed)
    assert {tag for tag, _ in page.tags}.isdisjoint({"script", "img"})
    assert not any(name.startswith("on") for _, attrs in page.tags for name in attrs)
    assert page.text.count("<script>window.hit=1</script>") > 5
    assert "\u202e" not in harmed


# -- in a browser ---------------------------------------------------------------------------------------------------

FLAGS = (
    "--headless --no-sandbox --disable-gpu --disable-quic --no-first-run --disable-background-networking "
    "--disable-component-update --disable-sync"
)


@pytest.fixture(scope="module")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    missing = [name for name in ("chromium", "chromedriver") if not shutil.which(name)]
    try:
        from selenium import webdriver
        from selenium.webdriver.chrome.service import Service
    except ImportError:
        missing.append("selenium")
    if missing:
        text = f"a browser test needs {', '.join(missing)}"
        if os.environ.get("ADVISOR_TEST_ALL") == "1":
            pytest.fail(text)
        pytest.skip(text)
    options = webdriver.ChromeOptions()
    options.binary_location = str(shutil.which("chromium"))
    for flag in (*FLAGS.split(), f"--user-data-dir={tmp_path_factory.mktemp('chromium')}"):
        options.add_argument(flag)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL", "performance": "ALL"})
    driver = webdriver.Chrome(service=Service(str(shutil.which("chromedriver"))), options=options)
    yield driver
    driver.quit()


@pytest.fixture(scope="module")
def url(harmed: str, tmp_path_factory: pytest.TempPathFactory) -> str:
    path = tmp_path_factory.mktemp("page") / "review.html"
    path.write_text(harmed, "utf-8")
    return path.as_uri()


def show(browser: Any, url: str, width: int = 1280, scheme: str = "light") -> None:
    browser.execute_cdp_cmd(
        "Emulation.setDeviceMetricsOverride", {"width": width, "height": 900, "deviceScaleFactor": 1, "mobile": False}
    )
    features = [{"name": "prefers-color-scheme", "value": scheme}]
    browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": features})
    browser.get("about:blank")
    browser.get(url)


def test_opening_asks_for_nothing_else_and_runs_nothing(browser: Any, url: str) -> None:
    import json

    show(browser, "about:blank")
    browser.get_log("performance")
    browser.get_log("browser")
    show(browser, url)
    events = [json.loads(entry["message"])["message"] for entry in browser.get_log("performance")]
    asked = [e["params"]["request"]["url"] for e in events if e["method"] == "Network.requestWillBeSent"]
    assert {a for a in asked if not a.startswith(("data:", "about:"))} == {url}
    assert browser.get_log("browser") == []
    assert browser.execute_script("return window.hit === undefined && document.scripts.length === 0")
    assert "<script>window.hit=1</script>" in browser.find_element("tag name", "body").text


def test_headings_go_down_step_by_step(browser: Any, url: str) -> None:
    show(browser, url)
    levels = browser.execute_script(
        "return [...document.querySelectorAll('h1,h2,h3,h4,h5,h6')].map(h => +h.tagName[1])"
    )
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(after <= before + 1 for before, after in pairwise(levels))
    marks = "return ['header', 'nav', 'main', 'footer'].map(n => document.querySelectorAll('body > ' + n).length)"
    assert browser.execute_script(marks) == [1, 1, 1, 1]
    assert browser.execute_script("return [...document.querySelectorAll('table')].every(t => t.caption)")


def test_tab_reaches_the_skip_link_first_and_it_works(browser: Any, url: str) -> None:
    from selenium.webdriver.common.action_chains import ActionChains
    from selenium.webdriver.common.keys import Keys

    show(browser, url)
    ActionChains(browser).send_keys(Keys.TAB).perform()
    here = "const e = document.activeElement, r = e.getBoundingClientRect();"
    first = browser.execute_script(here + "return [e.className, r.left, r.top, getComputedStyle(e).outlineStyle]")
    assert first[0] == "skip"
    assert first[1] >= 0
    assert first[2] >= 0
    assert first[3] != "none"
    ActionChains(browser).send_keys(Keys.ENTER).perform()
    assert browser.execute_script("return document.activeElement.id") == "content"
    ActionChains(browser).send_keys(Keys.TAB).perform()
    assert browser.execute_script("return document.activeElement.closest('.answers') !== null")


OVERFLOW = """
const wide = [];
for (const e of document.querySelectorAll('body *')) {
  if (e.closest('.scroll, .skip, .unseen, svg, head')) continue;
  const r = e.getBoundingClientRect();
  if (r.width && (r.right > document.documentElement.clientWidth + 1 || r.left < -1)) wide.push(e.tagName + ' ' + e.textContent.slice(0, 40));
}
for (const e of document.querySelectorAll('svg, .scroll'))
  if (e.getBoundingClientRect().right > document.documentElement.clientWidth + 1) wide.push(e.tagName);
return [document.documentElement.scrollWidth <= document.documentElement.clientWidth, wide];
"""


@pytest.mark.parametrize("width", [360, 1280])
def test_nothing_runs_off_the_screen(browser: Any, url: str, width: int) -> None:
    show(browser, url, width)
    assert browser.execute_script("return innerWidth") == width
    assert browser.execute_script(OVERFLOW) == [True, []]


# Contrast ratio as in WCAG 2.1 (relative luminance), definition from memory.
CONTRAST = """
const rgb = c => c.match(/[\\d.]+/g).map(Number);
const clear = c => { const v = rgb(c); return v.length > 3 && v[3] === 0; };
const light = c => { const [r, g, b] = rgb(c).slice(0, 3).map(v => v / 255).map(
  v => v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4); return 0.2126 * r + 0.7152 * g + 0.0722 * b; };
const ground = e => { for (; e; e = e.parentElement) { const c = getComputedStyle(e).backgroundColor;
  if (!clear(c)) return c; } return 'rgb(255, 255, 255)'; };
const found = {};
const walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
while (walk.nextNode()) {
  const e = walk.currentNode.parentElement;
  if (!walk.currentNode.data.trim() || e.closest('title, desc, style, defs')) continue;
  const s = getComputedStyle(e), c = e.closest('svg') ? s.fill : s.color;
  const [a, b] = [light(c), light(ground(e))].sort((x, y) => y - x);
  const kind = e.tagName + ' ' + e.className.toString();
  found[kind] = Math.min(found[kind] ?? 21, (a + 0.05) / (b + 0.05));
}
return found;
"""


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_text_stands_out_from_its_ground(browser: Any, url: str, scheme: str) -> None:
    show(browser, url, scheme=scheme)
    ground = browser.execute_script("return getComputedStyle(document.body).backgroundColor")
    assert (ground == "rgb(255, 255, 255)") is (scheme == "light")
    found = browser.execute_script(CONTRAST)
    assert len(found) > 10
    assert any(kind.startswith("text") for kind in found)  # of the charts too
    assert {kind: ratio for kind, ratio in found.items() if ratio < 4.5} == {}


def test_the_printed_page_holds_the_four_answers(browser: Any, url: str, review: Review) -> None:
    from pypdf import PdfReader
    from selenium.webdriver.common.print_page_options import PrintOptions

    show(browser, url, scheme="dark")
    options = PrintOptions()
    options.page_width, options.page_height = 21.0, 29.7
    reader = PdfReader(io.BytesIO(base64.b64decode(browser.print_page(options))))
    text = re.sub(r"\s+", "", "".join(page.extract_text() for page in reader.pages))
    for glance in review.glance:
        assert re.sub(r"\s+", "", glance.question) in text
    assert text.count("Todo:") + text.count("Nothingpressing:") == QUESTIONS
    assert "Skiptothe" not in text
    box = reader.pages[0].mediabox
    assert (round(float(box.width) / 72 * 25.4), round(float(box.height) / 72 * 25.4)) == (210, 297)


def test_the_first_printed_page_holds_the_answers_and_the_chart_of_costs(
    browser: Any, page: Page, tmp_path: Path
) -> None:
    from pypdf import PdfReader
    from selenium.webdriver.common.print_page_options import PrintOptions

    path = tmp_path / "review.html"
    path.write_text(page.html, "utf-8")
    show(browser, path.as_uri())
    options = PrintOptions()
    options.page_width, options.page_height = 21.0, 29.7
    reader = PdfReader(io.BytesIO(base64.b64decode(browser.print_page(options))))
    assert "Pareto chart" in reader.pages[0].extract_text()
    assert len(reader.pages) <= 9  # half a year of three mills


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_the_sheet_of_a_case_is_as_well_behaved(browser: Any, compiled: Compiled, tmp_path: Path, scheme: str) -> None:
    picture = png((900, 300))
    events = [
        {"type": "complaint", "text": EVIL},
        *ANSWERS,
        {"type": "note", "text": EVIL},
        attach(EVIL, picture),
        {"type": "review", "action": "comment", "by": EVIL, "text": EVIL},
    ]
    path = tmp_path / "case.html"
    path.write_text(Sheets(compiled).html(events, picture, invented=True, lab=EVIL), "utf-8")
    show(browser, "about:blank")
    browser.get_log("browser")
    show(browser, path.as_uri(), 360, scheme)
    assert browser.get_log("browser") == []
    assert browser.execute_script("return window.hit === undefined && document.scripts.length === 0")
    assert browser.execute_script("const i = document.images; return i.length === 1 && i[0].naturalWidth === 900")
    assert browser.execute_script(OVERFLOW) == [True, []]
    assert {kind: ratio for kind, ratio in browser.execute_script(CONTRAST).items() if ratio < 4.5} == {}
