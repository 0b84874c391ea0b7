"""Reports clicked through in a real browser: offline, on a phone, by keyboard, dark and light, on paper.

Outside: Chromium's own layout, accessibility tree and PDF; WCAG 2.2, 1.4.3 (contrast), 1.4.10 (reflow at 320 px), 2.4.1
(skip link), 4.1.2 (names), W3C Recommendation 2023 (criteria from memory); ISO 216 and ANSI/ASME Y14.1 for paper sizes.
"""

import itertools
import json
import os
import re
import subprocess
import sys

import pytest
from plan_pages import box, changes, paged, plan_of, run
from shared import ROOT, brief_searches, eventually

pytestmark = pytest.mark.slow

CHECK = """() => {
  const data = JSON.parse(document.getElementById('facetrace-data').textContent);
  const at = (p) => p.split('/').slice(1).reduce((d, k) => d[k.replace(/~1/g, '/').replace(/~0/g, '~')], data);
  const wrong = [];
  for (const e of document.querySelectorAll('[data-at]')) {
    const value = at(e.dataset.at), digits = e.dataset.digits;
    if (digits === undefined) { if (e.textContent !== String(value)) wrong.push(e.dataset.at); continue; }
    const shown = Number(e.textContent.replace('\\u2212', '-').replace('+', '').replaceAll(',', ''));
    const reach = 0.5000001 * 10 ** -digits;
    if (!(Math.abs(shown - value * (e.dataset.times ? Number(e.dataset.times) : 1)) <= reach)) wrong.push(e.dataset.at);
  }
  return [document.querySelectorAll('[data-at]').length, wrong];
}"""
CONTRAST = """() => {
  const lum = (c) => { const [r, g, b] = c.map((v) => { v /= 255; return v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4; });
    return 0.2126 * r + 0.7152 * g + 0.0722 * b; };
  const parse = (t) => (t.match(/[\\d.]+/g) || []).map(Number);
  const behind = (e) => { for (; e; e = e.parentElement) { const c = parse(getComputedStyle(e).backgroundColor); if (c.length === 3 || c[3] > 0) return c; } return [255, 255, 255]; };
  const low = [];
  const walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  while (walk.nextNode()) {
    const e = walk.currentNode.parentElement;
    if (!walk.currentNode.data.trim() || !e.checkVisibility() || e.closest('script, style, svg, option')) continue;
    const a = lum(parse(getComputedStyle(e).color)), b = lum(behind(e));
    const ratio = (Math.max(a, b) + 0.05) / (Math.min(a, b) + 0.05);
    if (ratio < 4.5) low.push([walk.currentNode.data.trim().slice(0, 40), ratio]);
  }
  return low;
}"""


@pytest.fixture
def opened(browser, report_page):
    """opened(**context) -> page. Afterwards nothing but the file may have been asked for, and no error told."""
    asked, told, contexts = [], [], []

    def open_one(**context):
        here = browser.new_context(**({"viewport": {"width": 1280, "height": 900}, "offline": True} | context))  # fmt: skip
        contexts.append(here)
        page = here.new_page()
        page.on("request", lambda r: asked.append(r.url))
        page.on("console", lambda m: told.append(m.text))
        page.on("pageerror", lambda e: told.append(str(e)))
        page.goto(report_page[0].as_uri())
        return page

    yield open_one
    for here in contexts:
        here.close()
    outside = [url for url in asked if not url.startswith(("file:", "data:"))]
    assert outside == []
    assert len([url for url in asked if url.startswith("file:")]) == len(contexts)
    assert told == []


def test_a_browser_finds_every_figure_in_the_json(opened):
    """A second program, the browser's own JSON and arithmetic, does what page_checks.wrong_figures does."""
    count, wrong = opened().evaluate(CHECK)
    assert count > 150
    assert wrong == []


@pytest.mark.parametrize("width", [320, 390, 768, 1280])
def test_nothing_hangs_over_the_edge(opened, width):
    """WCAG 1.4.10: at 320 px only tables and strips scroll sideways, each within itself."""
    page = opened(viewport={"width": width, "height": 844})
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    # every picture is there, decoded, and not stretched
    for natural, shown, height, ratio in page.evaluate(
        "[...document.images].map(i => [i.naturalWidth, i.clientWidth, i.clientHeight, i.naturalHeight / i.naturalWidth])"
    ):
        assert natural > 0
        assert abs(height - shown * ratio) <= 1.5


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_text_is_readable(opened, scheme):
    page = opened(color_scheme=scheme)
    page.evaluate("document.querySelectorAll('details').forEach(d => d.open = true)")
    assert page.evaluate(CONTRAST) == []
    # the grey behind stones is the same in both, for colours are judged against it
    assert page.evaluate("getComputedStyle(document.images[0]).backgroundColor") == "rgb(196, 196, 196)"  # fmt: skip


def test_links_lead_to_sections(opened):
    page = opened()
    links = page.locator("nav a")
    assert links.count() >= 8
    for k in range(links.count()):
        links.nth(k).click()
        ident = links.nth(k).get_attribute("href")
        page.wait_for_function(f"location.hash === '{ident}'")
        heading = page.locator(f"{ident} h2")
        assert heading.inner_text() == links.nth(k).inner_text()
        # the end of a page cannot be scrolled to its top
        eventually(lambda here=heading: 0 <= here.bounding_box()["y"] < 900)


def test_keyboard_reaches_everything(opened):
    """Tab goes from the skip link through links, strips, the drawing and the lists, and always shows where it is."""
    page = opened()
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.textContent") == "To the report"
    page.keyboard.press("Enter")
    page.wait_for_function("location.hash === '#main'")
    seen = set()
    for _ in range(120):
        page.keyboard.press("Tab")
        tag, kind, outline = page.evaluate(
            "(() => { const e = document.activeElement; return [e.tagName, e.className || e.id, getComputedStyle(e).outlineStyle]; })()"
        )
        if tag == "BODY":
            break
        assert outline != "none", (tag, kind)
        seen.add(tag)
        seen.add(str(kind))
    assert {"SUMMARY", "SELECT", "BUTTON", "INPUT", "strip", "wide", "ft-stage"} <= seen


def test_everything_has_a_name(opened):
    """Chromium's tree of what assistive programs are told: every picture and control has a name; headings step by one."""
    page = opened()
    session = page.context.new_cdp_session(page)
    nodes = session.send("Accessibility.getFullAXTree")["nodes"]
    shown = [n for n in nodes if not n.get("ignored")]
    for node in shown:
        role = node.get("role", {}).get("value")
        if role in ("image", "img", "button", "combobox", "checkbox", "link", "region", "navigation", "figure", "table"):  # fmt: skip
            if role in ("figure", "table"):
                continue
            assert node.get("name", {}).get("value", "").strip(), (role, node)
    levels = page.evaluate(
        "[...document.querySelectorAll('h1,h2,h3,h4')].map(h => Number(h.tagName[1]))"
    )
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(b <= a + 1 for a, b in itertools.pairwise(levels))
    assert page.evaluate("document.documentElement.lang") == "en"


def test_the_stone_turns_in_the_report(opened):
    page = opened(reduced_motion="reduce")
    stage = page.locator("#solid3d .ft-stage")
    tilt = "document.querySelector('#solid3d').facetrace.state().tilt"
    page.get_by_role("button", name="From above", exact=True).click()
    page.wait_for_function(f"{tilt} === 0")
    stage.focus()
    page.keyboard.press("ArrowUp")
    page.wait_for_function(f"{tilt} === 5")
    facets = page.get_by_label("Facet", exact=True)
    words = facets.locator("option").all_inner_texts()
    facets.select_option(label=next(w for w in words if w.strip().startswith("table")))
    eventually(lambda: "table" in page.locator("#solid3d .ft-facet").inner_text())
    page.get_by_label("c-axis").uncheck()
    page.locator("summary").first.click()
    page.locator("details table").first.wait_for()


@pytest.mark.parametrize(("paper", "points"), [("A4", (595, 842)), ("Letter", (612, 792))])
def test_paper_holds_all_of_it(opened, tmp_path, paper, points):
    """ISO 216: A4 is 210 x 297 mm; ANSI/ASME Y14.1: Letter is 8.5 x 11 in; a point is 1/72 in."""
    page = opened(color_scheme="dark")
    path = tmp_path / "report.pdf"
    page.pdf(path=str(path), format=paper)
    content = path.read_bytes()
    boxes = re.findall(rb"/MediaBox \[0 0 ([\d.]+) ([\d.]+)\]", content)
    assert 3 <= len(boxes) <= 9
    for page_box in boxes:
        assert all(abs(float(v) - p) < 1.5 for v, p in zip(page_box, points, strict=True))
    # on paper the ink is black though the screen is dark, and what only a screen can use is gone
    page.emulate_media(media="print")
    assert page.evaluate("getComputedStyle(document.body).color") == "rgb(0, 0, 0)"
    assert not page.locator("nav").is_visible()
    assert not page.get_by_role("button", name="From above", exact=True).is_visible()


def test_without_scripts_the_figures_are_there(browser, report_page):
    here = browser.new_context(java_script_enabled=False)
    page = here.new_page()
    page.goto(report_page[0].as_uri())
    text = page.inner_text("main")
    assert "At a glance" in text
    assert "cannot be turned" in text
    here.close()


@pytest.mark.usefixtures("report_page")
def test_two_openings_of_a_report_are_the_same_bytes(tmp_path):
    """Same seed, same page: in other processes, on another number of threads.

    All of them load the compiled kernel from disk: the process that has just compiled it rounds sums otherwise in
    their last digit, 1e-15.
    """
    words = [
        "report", "designs/round-brilliant.toml", "--zone", "designs/zones/blue-corner.toml", "--size", "64", "--samples", "4",
        "--rays", "4096",
    ]  # fmt: skip
    pages = []
    for threads in ("1", "2"):
        page = tmp_path / f"{threads}.html"
        subprocess.run(
            [sys.executable, "-m", "facetrace.cli.main", *words, "--out", str(page)], cwd=ROOT, check=True,
            capture_output=True, env=os.environ | {"NUMBA_NUM_THREADS": threads},
        )  # fmt: skip
        pages.append(page.read_bytes())
    assert pages[0] == pages[1]


@pytest.fixture(scope="module")
def plan_page(tmp_path_factory):
    """A plan with three pieces, other directions of its table, and a weight to be asked about; quick, and invented."""
    folder = tmp_path_factory.mktemp("plan")
    with brief_searches():
        told = plan_of(folder, box(folder, (6, 6, 9)), "--prices", ROOT / "designs" / "prices" / "invented.toml")  # fmt: skip
    document = json.loads(told.read_text(encoding="utf-8"))
    made = changes(document["plan"])
    for name in ("directions", "three", "asked", "failed"):
        document["plan"] |= made[name][0]
    told.write_text(json.dumps(document), encoding="utf-8")
    paged(told)
    return told.with_name("box-report.html")


@pytest.fixture(scope="module")
def lot_page(plan_page):
    """A lot of two roughs, with the stones of *plan_page*."""
    document = json.loads(plan_page.with_name("box.json").read_text(encoding="utf-8"))
    plan = document.pop("plan")
    parcel = {
        "sum_of_bids": 1.0,
        "bid": plan["plans"][0]["bid"],
        "error": 0.0,
        "uncut": 0,
        "words": ["A bid of 1 coin."],
    }
    told = plan_page.with_name("lot.json")
    told.write_text(json.dumps(document | {"lot": [plan, plan | {"sawn": None}], "unread": [], "parcel": parcel}))  # fmt: skip
    paged(told)
    return told.with_name("lot-report.html")


@pytest.mark.parametrize("width", [390, 1280])
def test_a_lots_bids_are_seen_without_scrolling(browser, lot_page, width):
    """Each figure under its head, and the bids within the window; what to ask first above the table."""
    page = browser.new_context(viewport={"width": width, "height": 844}, offline=True).new_page()
    page.goto(lot_page.as_uri())
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    table = page.locator("#plan table").first
    heads = [(h.inner_text(), h.bounding_box()) for h in table.locator("thead th").all()]
    assert [name for name, _ in heads] == ["rough", "bid at most", "best", "ct cut", "expected value"]  # fmt: skip
    place = heads[1][1]
    assert place["x"] + place["width"] <= width
    # the right edge of the text itself, not of its cell
    edges = table.evaluate(
        """(t, k) => [...t.rows].map((row) => { const r = document.createRange(); r.selectNodeContents(row.cells[k]);
        return r.getBoundingClientRect().right; })""",
        1,
    )
    assert max(edges) - min(edges) < 1
    assert page.locator("#plan .caution").first.bounding_box()["y"] < place["y"]
    page.context.close()


def test_letters_of_a_marking_sheet_lie_apart(browser, plan_page):
    """Three stones in one place, the worst there is: by Chromium's own layout no two texts of a view touch."""
    page_file = plan_page.with_name("mark.html")
    result = run("mark", plan_page.with_name("box.json"), "--pieces", "--out", page_file)
    assert result.exit_code == 0, result.output
    page = browser.new_context(viewport={"width": 1280, "height": 900}, offline=True).new_page()
    page.goto(page_file.as_uri())
    views = page.evaluate(
        """[...document.querySelectorAll('.six svg')].map((s) => [...s.querySelectorAll('text')].map((t) => {
        const r = t.getBoundingClientRect(); return [t.textContent, r.left, r.right, (r.top + r.bottom) / 2, r.height]; }))"""
    )
    assert len(views) == 6
    for texts in views:
        assert {"TA", "TB", "TC", "CA", "CB", "CC"} <= {text for text, *_ in texts}
        for (_, a, b, y, height), (_, c, d, z, _) in itertools.combinations(texts, 2):
            # capitals are 0.7 of the line's height or less
            assert b <= c or d <= a or abs(y - z) >= 0.6 * height, (texts, a, c)
    page.context.close()


@pytest.mark.parametrize("width", [320, 390, 1280])
def test_a_plans_page_can_be_read_on_a_phone(browser, plan_page, width):
    """WCAG 1.4.10: only tables scroll sideways, each within itself; figures by the browser's own arithmetic; contrast."""
    page = browser.new_context(viewport={"width": width, "height": 844}, offline=True).new_page()
    told = []
    page.on("console", lambda m: told.append(m.text))
    page.on("pageerror", lambda e: told.append(str(e)))
    page.goto(plan_page.as_uri())
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    count, wrong = page.evaluate(CHECK)
    assert count > 100
    assert wrong == []
    assert page.evaluate(CONTRAST) == []
    # what to ask first, what it comes to, and pictures, before any table
    tops = [page.locator(f"#plan {what}").first.bounding_box()["y"] for what in (".caution", ".lead", "img", "table")]  # fmt: skip
    assert tops == sorted(tops)
    assert told == []
    page.context.close()
