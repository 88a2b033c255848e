"""A report without a network: report.py FILE PICTURES

Opens the file at three widths, light and dark, and prints it. What is wrong is said, and ends it.
"""
import pathlib
import re
import sys

from playwright.sync_api import sync_playwright

file, pictures = sys.argv[1:3]
axe = pathlib.Path(sys.prefix) / "axe/node_modules/axe-core/axe.min.js"
troubles = []

with sync_playwright() as play:
    chromium = play.chromium.launch(executable_path="/usr/bin/chromium", args=["--no-sandbox"])
    # Axe is put into the page from here, which the report's own policy refuses to everybody else.
    context = chromium.new_context(bypass_csp=True, offline=True)
    context.set_default_timeout(120_000)
    page = context.new_page()
    page.on("console", lambda message: troubles.append(f"console: {message.text}"))
    page.on("pageerror", lambda error: troubles.append(f"script: {error}"))
    asked = []
    page.on("request", lambda request: asked.append(request.url))
    page.goto(f"file://{file}")
    for width in (390, 820, 1440):
        page.set_viewport_size({"width": width, "height": 900})
        for scheme in ("light", "dark"):
            page.emulate_media(color_scheme=scheme)
            page.screenshot(path=f"{pictures}/holiday-{width}-{scheme}.png", full_page=True)
            wide = page.evaluate("document.documentElement.scrollWidth - innerWidth")
            if wide > 0:
                troubles.append(f"at {width}: {wide} px stick out")
            page.evaluate(f"window.axe || (() => {{ {axe.read_text()} }})()")
            found = page.evaluate("axe.run(document, {resultTypes: ['violations']}).then(r => r.violations)")
            for one in found:
                if one["impact"] in ("serious", "critical"):
                    troubles.append(f"at {width}, {scheme}: {one['id']}: {one['nodes'][0]['html'][:160]}")
    if asked != [f"file://{file}"]:
        troubles.append(f"it asked for {asked}")
    for never in ("script", "link", "img", "iframe", "form", "a[href^=http]"):
        if page.locator(never).count():
            troubles.append(f"there is a {never}")
    # The policy as it stands in the file holds: nothing that it has is refused.
    own = chromium.new_context(offline=True)
    own.set_default_timeout(120_000)
    paper = own.new_page()
    paper.on("console", lambda message: troubles.append(f"console: {message.text}"))
    paper.goto(f"file://{file}")
    paper.emulate_media(media="print", color_scheme="dark")
    ground = paper.evaluate("getComputedStyle(document.body).backgroundColor")
    if not re.search(r"rgb\(2[45]\d, 2[45]\d, 2[45]\d\)|rgba\(0, 0, 0, 0\)", ground):
        troubles.append(f"on paper it is dark: {ground}")
    printed = paper.pdf(path=f"{pictures}/holiday.pdf", prefer_css_page_size=True)
    sheets = len(re.findall(rb"/Type\s*/Page\b", printed))
    calls = paper.locator(".call-out").count()
    # A call-out begins a sheet; the rest are the whole time, what was not seen, and readings.
    if not calls <= sheets <= 2 * calls + 8:
        troubles.append(f"{sheets} sheets for {calls} call-outs")
    chromium.close()

if troubles:
    raise SystemExit("\n".join(dict.fromkeys(troubles)))
print("the report was read")
