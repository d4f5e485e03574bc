"""The page in a browser: filters, keyboard, print, dark, small windows, assistive technology."""

import re
from pathlib import Path
from typing import Any, Literal

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, Page, expect

from probe.assessment import Assessment
from probe.records import replace
from probe.report.render import render
from tests.report import build
from tests.report.hostile import HOSTILE, poisoned
from tests.report.page.browser import DESK, PHONE, SMALL, looking
from tests.report.page.many import incomplete, many
from tests.report.page.test_hostile import MARKUP, TOKENS, everything

ENTRIES = "[data-filter]"


def shown(page: Page, selector: str = ENTRIES) -> list[str]:
    """Return the first words of the entries that are to be seen."""
    found: list[str] = page.eval_on_selector_all(
        selector, "all => all.filter(one => one.checkVisibility()).map(one => one.innerText)"
    )
    return [text.split("\n")[0] for text in found]


def write(path: Path, assessment: Assessment, **options: Any) -> Path:
    path.write_text(render(assessment, "page", **options), "utf-8")
    return path


def test_the_filters_leave_what_was_asked_for(browser: Browser, written: Path) -> None:
    with looking(browser, write(written, build.troubled())) as look:
        page = look.page
        everything_shown = shown(page)
        assert page.inner_text(".filter output") == ""
        page.get_by_label("Node").select_option(label="quay3")
        assert page.locator(".finding:visible").count() == 1
        assert page.locator(".finding:visible").get_attribute("id") == "finding-2"
        assert "entries shown" in page.inner_text(".filter output")
        page.get_by_role("button", name="Show all").click()
        expect(page.locator(".filter output")).to_be_empty()
        assert shown(page) == everything_shown

        page.get_by_label("Endpoint").select_option("eap")
        assert [one.get_attribute("id") for one in page.locator(".finding:visible").all()] == [
            "finding-1"
        ]
        assert page.locator(".tree:visible").count() == 2
        page.get_by_label("Endpoint").select_option("")

        page.get_by_label("blocked").uncheck()
        assert page.locator(".finding:visible").count() == 1
        page.get_by_label("blocked").check()

        page.get_by_label("Search").fill("HARBOUR public")
        assert page.locator(".finding:visible").count() == 0
        assert page.locator(".certificate:visible").count() == 2
        # Base64 of "DER of guest": the search is for what can be read.
        page.get_by_label("Search").fill("REVSIG9mIGd1ZXN0")
        assert shown(page) == []


def test_a_link_to_what_is_filtered_out_shows_it_again(browser: Browser, written: Path) -> None:
    with looking(browser, write(written, build.troubled())) as look:
        page = look.page
        page.get_by_label("Search").fill("no such words")
        page.locator(".todo a.ref").click()
        page.locator("#finding-1").wait_for(state="visible")
        assert page.evaluate("document.activeElement.id") == "finding-1"


def test_everything_can_be_reached_by_keyboard(browser: Browser, written: Path) -> None:
    """The focus is visible wherever it goes, and comes to every link and control."""
    with looking(browser, write(written, build.troubled())) as look:
        page = look.page
        wanted: int = page.evaluate(
            "[...document.querySelectorAll("
            "'a[href], input, select, button, summary, [tabindex=\"0\"]')]"
            ".filter(one => one.checkVisibility()).length"
        )
        met = []
        for _ in range(wanted):
            page.keyboard.press("Tab")
            met.append(
                page.evaluate(
                    "(() => { const one = document.activeElement;"
                    " const outline = getComputedStyle(one);"
                    " return [one.outerHTML.slice(0, 200), outline.outlineStyle,"
                    " parseFloat(outline.outlineWidth)]; })()"
                )
            )
        assert "To the answer" in met[0][0]
        for html, style, width in met:
            assert style != "none", html
            assert width >= 2, html
        assert page.evaluate("document.activeElement.tagName") == "SUMMARY"
        page.keyboard.press("Enter")
        assert "BEGIN CERTIFICATE" in page.locator("details.pem[open] pre").last.inner_text()


def test_the_pem_can_be_copied(browser: Browser, written: Path) -> None:
    file = write(written, build.troubled())
    with looking(browser, file, permissions=["clipboard-read", "clipboard-write"]) as look:
        page = look.page
        entry = page.locator(f"#cert-{build.WEB_LEAF.sha256}")
        entry.locator("details.pem summary").click()
        entry.get_by_role("button", name="Copy").click()
        entry.get_by_role("button", name="Copied").wait_for()
        copied: str = page.evaluate("navigator.clipboard.readText()")
        assert copied.splitlines() == [
            "-----BEGIN CERTIFICATE-----",
            "REVSIG9mIGd1ZXN0Lm5vcnRocGllci5leGFtcGxl",
            "-----END CERTIFICATE-----",
        ]


def test_without_script_all_of_it_can_be_read(browser: Browser, written: Path) -> None:
    with looking(browser, write(written, build.troubled()), java_script_enabled=False) as look:
        page = look.page
        assert page.locator(".finding").count() == 3
        for one in page.locator("h1, .finding, .tree, .certificate, .notes li").all():
            assert one.is_visible()
        assert not page.locator(".filter").is_visible()
        page.locator("details.pem summary").first.click()
        assert "BEGIN CERTIFICATE" in page.locator("details.pem pre").first.inner_text()


@pytest.mark.parametrize("viewport", [SMALL, PHONE, DESK])
@pytest.mark.parametrize("name", ["troubled", "hostile", "markup", "wide", "fifty", "gap"])
def test_no_window_has_to_be_scrolled_sideways(
    browser: Browser, written: Path, name: str, viewport: dict[str, int]
) -> None:
    made = {
        "troubled": everything,
        "hostile": lambda: poisoned(everything(), HOSTILE, spare=TOKENS),
        "markup": lambda: poisoned(everything(), MARKUP, spare=TOKENS),
        "wide": lambda: poisoned(everything(), "W" * 10_000, spare=TOKENS),
        "fifty": lambda: many(50),
        "gap": lambda: incomplete("http://pki.northpier.example/" + "a" * 300),
    }
    file = write(written, made[name](), in_depth=True)
    with looking(browser, file, viewport=viewport) as look:
        assert look.overflow() <= 0
        assert look.page.locator("h1").is_visible()


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("viewport", [SMALL, DESK])
def test_nothing_serious_stands_in_the_way_of_assistive_technology(
    browser: Browser,
    written: Path,
    scheme: Literal["light", "dark"],
    viewport: dict[str, int],
) -> None:
    """axe-core, with its rules for WCAG 2 A and AA and its own good practice."""
    file = write(written, everything(), in_depth=True)
    # The page's policy lets no other script in; what is tested here is the page, not the policy.
    with looking(browser, file, color_scheme=scheme, viewport=viewport, bypass_csp=True) as look:
        look.page.evaluate("document.querySelectorAll('details').forEach(one => one.open = true)")
        found = Axe().run(look.page).response["violations"]
        bad = [
            (one["id"], [node["html"] for node in one["nodes"]][:3])
            for one in found
            if one["impact"] in {"serious", "critical"}
        ]
        assert bad == []


def test_the_dark_is_dark_and_the_light_is_light(browser: Browser, written: Path) -> None:
    file = write(written, build.troubled())
    brightness = {}
    for scheme in ("light", "dark"):
        with looking(browser, file, color_scheme=scheme) as look:
            colour = look.page.evaluate(
                "getComputedStyle(document.documentElement).backgroundColor"
            )
            brightness[scheme] = sum(int(part) for part in re.findall(r"\d+", colour)[:3])
    assert brightness["light"] > 3 * 220
    assert brightness["dark"] < 3 * 50


def test_in_print_all_is_unfolded_and_nothing_is_filtered(browser: Browser, written: Path) -> None:
    with looking(browser, write(written, many(14))) as look:
        page = look.page
        page.get_by_label("Search").fill("no such words")
        page.emulate_media(media="print")
        assert page.locator(".finding:visible").count() == 3
        assert not page.locator(".filter").is_visible()
        assert not page.locator("nav").is_visible()
        pem = page.locator("details.pem pre").first
        assert pem.evaluate("one => one.checkVisibility({contentVisibilityAuto: true})")
        printed = page.pdf(format="A4")
        assert printed.startswith(b"%PDF-")
        assert look.overflow() <= 0


def test_the_whole_page_of_one_node_comes_without_a_complaint(
    browser: Browser, written: Path
) -> None:
    alone = replace(everything(), nodes=everything().nodes[:1])
    with looking(browser, write(written, alone, in_depth=True)) as look:
        assert "A closer look at EAP" in look.page.inner_text("main")
        assert "A closer look at RadSec" in look.page.inner_text("main")


def test_what_asks_for_something_is_noticed(browser: Browser, written: Path) -> None:
    """The twin that must fail: a picture from elsewhere, a script that the policy does not name."""
    page = render(build.troubled(), "page")
    for added in ('<img src="other.png" alt="">', "<script>1</script>"):
        written.write_text(page.replace("</main>", f"{added}</main>"), "utf-8")
        with pytest.raises(AssertionError), looking(browser, written):
            pass
