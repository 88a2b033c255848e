"""A night in two browsers: browser.py LINK FOLDER PICTURES CONFIG

Signs in by the link, sees the power go, answers, sees it in the second browser, ticks a step, begins and ends
feeding, shelves, reads the log and the report, with script and without; axe-core looks at every page. What is
wrong is said, and ends it.

Nothing here hangs on how fast a machine is. The house stands still until this script wants something to happen: a
line to whoever has started it, who says when it has. Pages on which something is pressed, or that axe looks at, hear
no stream, so that nothing is exchanged under a hand; that they do so live is seen on a page that nobody touches, and
what the script in the page does then, on one whose stream this script speaks. Every wait ends when what it waits for
is there; its bound is for a machine that is broken.
"""
import os
import pathlib
import re
import sqlite3
import subprocess
import sys
import time

from playwright.sync_api import sync_playwright

link, folder, pictures, config = sys.argv[1:5]
BOUND = 120_000
site = link.split("/in/")[0]
axe = pathlib.Path(sys.prefix) / "axe/node_modules/axe-core/axe.min.js"
troubles = []


# A stream that says what the script here wants it to say.
STILL = """
window.streams = [];
window.EventSource = class {
  constructor() { this.heard = {}; window.streams.push(this); }
  addEventListener(name, take) { this.heard[name] = take; }
  say(name, data) { this.heard[name]({ data }); }
  close() {}
};
"""


def happens(what):
    print(what, flush=True)
    assert sys.stdin.readline().strip() == "done", what


def journal(kind):
    """How many records of a kind there are."""
    db = sqlite3.connect(f"file:{folder}/journal.sqlite?mode=ro", uri=True, timeout=BOUND / 1000)
    count = db.execute("SELECT count(*) FROM records WHERE kind = ?", [kind]).fetchone()[0]
    db.close()
    return count


def until(what, found):
    end = time.monotonic() + BOUND / 1000
    while time.monotonic() < end:
        if found():
            return
        time.sleep(0.1)
    raise SystemExit(f"{what} did not come within {BOUND} ms")


def browser(**more):
    """Another browser, on which nothing moves by itself."""
    context = chromium.new_context(**more)
    context.set_default_timeout(BOUND)
    context.add_init_script(STILL)
    return context


def press(page, found):
    """A form is sent, and what came of it is there."""
    with page.expect_navigation():
        found.click()


def listen(page):
    page.on("console", lambda message: message.type == "error" and troubles.append(f"console: {message.text}"))
    page.on("pageerror", lambda error: troubles.append(f"script: {error}"))
    # A request that the browser itself takes back, because it goes on to the next page, is no trouble.
    def failed(request):
        if "/live" not in request.url and "ERR_ABORTED" not in (request.failure or ""):
            troubles.append(f"{request.url}: {request.failure}")

    page.on("requestfailed", failed)


def look(page, name, widths=(390, 820, 1440)):
    """At these widths, light and dark: nothing sticks out, and axe finds nothing serious."""
    for width in widths:
        page.set_viewport_size({"width": width, "height": 900})
        for scheme in ("light", "dark"):
            page.emulate_media(color_scheme=scheme)
            page.screenshot(path=f"{pictures}/{name}-{width}-{scheme}.png", full_page=True)
            wide = page.evaluate("document.documentElement.scrollWidth - innerWidth")
            if wide > 0:
                troubles.append(f"{name} at {width}: {wide} px stick out")
            page.evaluate(f"window.axe || (() => {{ {axe.read_text()} }})()")
            found = page.evaluate("axe.run(document, {resultTypes: ['violations']}).then(r => r.violations)")
            for one in found:
                if one["impact"] in ("serious", "critical"):
                    troubles.append(f"{name} at {width}, {scheme}: {one['id']}: {one['nodes'][0]['html'][:160]}")
    page.set_viewport_size({"width": 390, "height": 844})
    page.emulate_media(color_scheme="light")


with sync_playwright() as play:
    chromium = play.chromium.launch(executable_path="/usr/bin/chromium", args=["--no-sandbox"])
    first, second = (browser(bypass_csp=True) for _ in range(2))
    # Axe is put into the page from here, which the page's own policy would refuse.
    page = first.new_page()
    listen(page)

    # A scanner that fetches the invitation does not use it up; a person presses.
    page.goto(link)
    page.goto(link)
    look(page, "invitation")
    press(page, page.locator("text=Sign in on this device"))
    assert page.locator("h1").inner_text(), "the truth leads"
    page.goto(link)
    assert "not sign anybody in any more" in page.content(), "once"

    # Somebody else's device sees nothing.
    other = second.new_page()
    listen(other)
    reply = other.goto(site + "/")
    assert reply.status == 401 and "Lagoon" not in other.content(), "nothing is shown without signing in"
    troubles.clear()

    page.goto(site + "/")
    look(page, "calm")

    # Feeding begins and ends.
    page.goto(site + "/work")
    look(page, "work")
    press(page, page.locator("section", has_text="Harbour").locator("button", has_text="Feeding"))
    assert page.locator("[role=alert]").count() == 1 and "Not taken" not in page.content(), page.content()[-3000:]
    assert page.locator("text=It is done: watch harbour again").count() == 1
    press(page, page.locator("text=It is done: watch harbour again"))

    # An alarm is put aside with a reason, and taken back.
    page.select_option("#alarm", index=1)
    page.fill("#why", "a new pump is tried <b>out</b>")
    press(page, page.locator("button", has_text="Put it aside"))
    assert "a new pump is tried &lt;b&gt;out&lt;/b&gt;" in page.content(), "the reason is seen, and is no markup"
    press(page, page.locator("text=Take it back"))
    assert page.locator("text=Take it back").count() == 0

    # Nobody touches this one. A value changes on it, then the power goes: it is seen live, on the page that stands there.
    live = chromium.new_context(storage_state=first.storage_state())
    live.set_default_timeout(BOUND)
    wall = live.new_page()
    listen(wall)
    reply = wall.goto(site + "/")
    assert "refresh" not in reply.headers, "a page that lives by its script is not loaded again under its reader"
    wall.evaluate("window.stands = true")
    happens("water 25.8125")
    wall.locator("#main", has_text="25.8").wait_for()
    happens("mains off")
    wall.locator("h1", has_text=re.compile("the power is out", re.IGNORECASE)).wait_for()
    assert wall.evaluate("window.stands"), "the page was loaded again under its reader"
    live.close()
    page.goto(site + "/")
    look(page, "outage")

    # What the script of the page does with what it hears: this page's stream is in our hands.
    held = "document.getElementById('main').dataset.held"
    shape = "window.streams[0].say('shape', 'another ' + Math.random())"

    def is_left(why):
        """What this page has asked for has come, and it is as it was."""
        page.evaluate(shape)
        for _ in range(3):
            page.evaluate("fetch(location.href).then(reply => reply.text())")
        assert page.evaluate(held) == "yes", why

    def is_exchanged():
        page.evaluate(shape)
        page.wait_for_function(f"{held} !== 'yes'")
        page.evaluate(f"{held} = 'yes'")

    page.evaluate(f"{held} = 'yes'")
    is_exchanged()
    page.mouse.move(4, 4)
    page.mouse.down()
    page.evaluate("dispatchEvent(new PointerEvent('pointerdown'))")
    is_left("it was exchanged under a finger")
    page.mouse.up()
    page.wait_for_function(f"{held} !== 'yes'")
    page.goto(site + "/work")
    page.evaluate(f"{held} = 'yes'")
    page.fill("#why", "half a reason")
    page.evaluate("document.activeElement.blur()")
    is_left("what was written was taken away")
    page.fill("#why", "")
    page.evaluate("document.activeElement.blur()")
    page.wait_for_function(f"{held} !== 'yes'")
    # A press that was aimed at what stood there before is none at what stands there now.
    page.goto(site + "/log")
    page.evaluate("""() => {
        window.pressed = [];
        addEventListener('click', event => { window.pressed.push(event.target.textContent); event.preventDefault(); });
        const look = window.fetch;
        window.fetch = () => look('/');
    }""")
    page.evaluate(f"{held} = 'yes'")
    page.evaluate(shape)
    page.wait_for_function(f"{held} !== 'yes'")
    page.evaluate("""() => {
        const press = detail => document.querySelector('#main a.wide-btn')
            .dispatchEvent(new MouseEvent('click', { bubbles: true, cancelable: true, detail }));
        const at = performance.now;
        performance.now = () => 0;
        press(1);
        window.aimed = window.pressed.length;
        performance.now = at;
        press(0);
        window.keys = window.pressed.length;
    }""")
    assert page.evaluate("[window.aimed, window.keys].join()") == "0,1", "a press went elsewhere"
    page.goto(site + "/")

    # A scanner opens the link of a page in a browser of its own, runs its script and presses whatever it finds.
    call = page.locator("main > p > a.wide-btn").get_attribute("href")
    said_before = journal("answered"), journal("ticked"), journal("refused"), journal("handed-on")
    scanner = browser()
    finder = scanner.new_page()
    for nth in range(6):
        finder.goto(site + call)
        for field in finder.locator("input[type=text]").all():
            field.fill("scanner")
        found = finder.locator("button, a:not(.skip)").all()
        if nth < len(found):
            found[nth].click()
            finder.wait_for_load_state()
    scanner.close()
    page.goto(site + "/")
    assert "Nobody has answered yet" in page.locator("h1").inner_text(), "a scanner answers nothing"
    said_after = journal("answered"), journal("ticked"), journal("refused"), journal("handed-on")
    assert said_after == said_before, f"nothing of it is recorded: {said_before}, {said_after}"

    # What is to be done, a tick that is kept, and the answer.
    press(page, page.locator("main > p > a.wide-btn"))
    look(page, "call-out")
    step = page.locator(".steps button").first.inner_text().strip()
    press(page, page.locator(".steps button").first)
    assert page.locator('.steps button[aria-pressed="true"]').count() == 1, "the tick is kept"
    page.keyboard.press("Tab")
    press(page, page.locator("button.big"))
    assert "takes care of it until" in page.locator("h1").inner_text(), page.locator("h1").inner_text()
    assert journal("answered") == said_before[0] + 1, "it is recorded"

    # The second browser signs in and sees it, and the tick.
    asked = subprocess.run([os.environ["SLACKWATER"], "web", "invite", "tom", "--config", config], capture_output=True, text=True, check=True)
    other.goto(next(line for line in asked.stdout.splitlines() if line.startswith("http")))
    press(other, other.locator("text=Sign in on this device"))
    other.goto(page.url)
    assert "Ines takes care of it until" in other.locator("h1").inner_text(), other.locator("h1").inner_text()
    # Whom a step says to call depends on its reader; what it begins with does not.
    beginning = re.split("[.?]", step)[0]
    kept = [one for one in other.locator(".steps li").all_inner_texts() if beginning in one and "Ines" in one]
    assert len(kept) == 1, f"others see the tick: {step}"

    # The neighbour's device signs in by a code that comes by a channel of its own, and is led on to where it was going.
    third = browser(bypass_csp=True)
    phone = third.new_page()
    listen(phone)
    phone.goto(site + "/log")
    look(phone, "sign-in", (390, 1440))
    phone.fill("#who", "the neighbour")
    press(phone, phone.locator("text=Send me a code"))
    look(phone, "code", (390, 1440))
    letters = pathlib.Path(folder) / "pages"

    def code():
        found = [one.read_text() for one in letters.glob("*.eml") if "signs you in" in one.read_text()]
        return found and found[-1].split("House: ", 1)[1].split()[0]  # one only is sent

    until("the code", code)
    phone.fill("#code", "AAAA-AAAA")
    press(phone, phone.locator("text=Sign in on this device"))
    assert "not the code" in phone.locator("[role=alert]").inner_text()
    phone.fill("#code", code())
    press(phone, phone.locator("text=Sign in on this device"))
    assert phone.url == site + "/log" and phone.locator("h1").inner_text() == "The log", phone.url
    third.close()

    # Everything else, at every width.
    for path in ("/log", "/log?show=alarms&words=mains", "/tank/lagoon", "/tank/lagoon?span=month", "/tank/lagoon?span=week&sensor=return-flow", "/drill", "/devices"):
        page.goto(site + path)
        look(page, path.strip("/").replace("/", "-").replace("?", "-").replace("&", "-"), (390, 1440))
    page.goto(site + "/log/report.html?since=1d")
    look(page, "report")
    assert page.locator("script").count() == 0

    # Without script everything works as well.
    plain = browser(java_script_enabled=False, storage_state=first.storage_state())
    bare = plain.new_page()
    listen(bare)
    bare.goto(site + "/work")
    press(bare, bare.locator("section", has_text="Nursery").locator("button", has_text="Feeding"))
    assert "It is done: watch nursery again" in bare.content()
    bare.goto(site + "/")
    assert bare.locator("svg.strip").count() == 4
    assert bare.locator("meta[http-equiv=refresh]").count() == 1, "on a wall without script it is loaded again"
    press(bare, bare.locator("main > p > a.wide-btn"))
    assert bare.locator("h1").inner_text()

    # The policy as it is served: nothing is refused on the way, and no console says an error.
    strict = chromium.new_context(storage_state=first.storage_state())
    strict.set_default_timeout(BOUND)
    own = strict.new_page()
    listen(own)
    for path in ("/", "/log", "/tank/lagoon?span=year", "/work"):
        own.goto(site + path)
        own.wait_for_load_state("load")

    # Signed out is signed out.
    page.goto(site + "/devices")
    press(page, page.locator("li", has_text="This device").locator("button"))
    assert page.goto(site + "/").status == 401
    troubles = [one for one in troubles if not any(code in one for code in ("401", "403", "404"))]
    chromium.close()

if troubles:
    raise SystemExit("\n".join(dict.fromkeys(troubles)))
print("the whole night was seen")
