"""Looks at pages in headless Chromium, through its pipe: browser.py DIRECTORY PAGE...
SPDX-License-Identifier: GPL-3.0-or-later

Complaints go to standard output, one a line; exit code 1 when there are any. A PDF of each page stays in DIRECTORY, and pictures of it when KEEP is
set.
"""
import base64
import fcntl
import json
import os
import subprocess
import sys

WIDTHS = (360, 810, 1280)  # a phone; just too wide for cards instead of tables; a desk

# Everything that can be seen from inside: sizes, contrast (WCAG 2.1, 1.4.3: 4.5 to 1, from memory), structure.
LOOK = r"""(() => {
  const found = [];
  const rgb = (s) => { const n = s.match(/[\d.]+/g).map(Number); return n.length < 4 ? n.concat(1) : n; };
  const light = (c) => { const f = c.slice(0, 3).map((v) => { v /= 255; return v <= 0.03928 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4; });
                         return 0.2126 * f[0] + 0.7152 * f[1] + 0.0722 * f[2]; };
  const under = (e) => { for (; e; e = e.parentElement) { const c = rgb(getComputedStyle(e).backgroundColor); if (c[3] > 0.99) return c; }
                         return [255, 255, 255, 1]; };
  const root = document.documentElement;
  if (root.scrollWidth > innerWidth) found.push(`overflow: the page is ${root.scrollWidth} wide in ${innerWidth}`);
  for (const e of document.body.querySelectorAll('*')) {
    const own = [...e.childNodes].some((n) => n.nodeType === 3 && n.data.trim() !== '');
    if (!own || e.closest('svg') || e.tagName === 'SCRIPT' || e.getClientRects().length === 0) continue;
    const a = light(rgb(getComputedStyle(e).color)), b = light(under(e));
    const ratio = (Math.max(a, b) + 0.05) / (Math.min(a, b) + 0.05);
    if (ratio < 4.5) found.push(`contrast: ${ratio.toFixed(2)} of "${e.textContent.trim().slice(0, 40)}"`);
  }
  const ids = [...document.querySelectorAll('[id]')].map((e) => e.id);
  for (const id of new Set(ids.filter((id, i) => ids.indexOf(id) !== i))) found.push(`same id twice: ${id}`);
  for (const a of document.querySelectorAll('a[href^="#"]'))
    if (!document.getElementById(a.getAttribute('href').slice(1))) found.push(`a link to nowhere: ${a.getAttribute('href')}`);
  let level = 0;
  for (const h of document.querySelectorAll('h1,h2,h3,h4')) {
    const now = Number(h.tagName[1]);
    if (now > level + 1) found.push(`heading ${h.tagName} behind level ${level}`);
    level = now;
  }
  for (const t of document.querySelectorAll('table'))
    if (!t.caption || !t.querySelector('th[scope]')) found.push('a table without caption or headings');
  if (document.scripts.length > 0) found.push('a script is in the page');
  if (window.hostile) found.push('a hostile text was run');
  if (!root.lang || !document.title) found.push('no language, or no title');
  found.push('@' + light(under(document.body)));
  return found;
})()"""


class Browser:
    def __init__(self, directory):
        to_child, from_us = self.pipe()
        from_child, to_us = self.pipe()
        self.writer, self.reader = from_us, from_child
        self.number, self.buffer, self.events = 0, b"", []
        # Without a network: whatever a page asks for fails, and is seen.
        arguments = ["chromium", "--headless=new", "--no-sandbox", "--disable-gpu", "--remote-debugging-pipe", "--hide-scrollbars",
                     "--no-first-run", "--disable-background-networking", "--disable-component-update", "--disable-dev-shm-usage",
                     "--host-resolver-rules=MAP * ~NOTFOUND", "--user-data-dir=" + os.path.join(directory, "profile"), "about:blank"]

        def arrange():
            os.dup2(to_child, 3)
            os.dup2(to_us, 4)

        log = open(os.path.join(directory, "chromium.log"), "wb")
        self.process = subprocess.Popen(arguments, pass_fds=(3, 4), preexec_fn=arrange, stdin=subprocess.DEVNULL, stdout=log, stderr=log,
                                        env=dict(os.environ, HOME=directory))
        os.close(to_child)
        os.close(to_us)
        target = self.ask("Target.createTarget", url="about:blank")["targetId"]
        self.session = self.ask("Target.attachToTarget", targetId=target, flatten=True)["sessionId"]
        for domain in ("Page", "Runtime", "Log", "Network"):
            self.ask(domain + ".enable")

    @staticmethod
    def pipe():
        """Both ends far from the numbers the browser wants."""
        ends = os.pipe()
        high = tuple(fcntl.fcntl(end, fcntl.F_DUPFD_CLOEXEC, 20) for end in ends)
        for end in ends:
            os.close(end)
        return high

    def read(self):
        while b"\0" not in self.buffer:
            piece = os.read(self.reader, 1 << 20)
            if not piece:
                raise SystemExit("Chromium ended: see chromium.log")
            self.buffer += piece
        message, self.buffer = self.buffer.split(b"\0", 1)
        return json.loads(message)

    def ask(self, method, **parameters):
        self.number += 1
        message = {"id": self.number, "method": method, "params": parameters}
        if not method.startswith("Target."):
            message["sessionId"] = self.session
        data = json.dumps(message).encode() + b"\0"
        while data:
            data = data[os.write(self.writer, data):]
        while True:
            answer = self.read()
            if answer.get("id") == self.number:
                if "error" in answer:
                    raise SystemExit("%s: %s" % (method, answer["error"]))
                return answer["result"]
            self.events.append(answer)

    def load(self, address):
        self.events.clear()
        self.ask("Page.navigate", url=address)
        while not any(e.get("method") == "Page.loadEventFired" for e in self.events):
            self.events.append(self.read())

    def evaluate(self, expression):
        return self.ask("Runtime.evaluate", expression=expression, returnByValue=True)["result"].get("value")

    def complaints(self, address):
        """What the browser itself found wrong since the page was loaded."""
        found = []
        for e in self.events:
            what = e.get("params", {})
            if e.get("method") == "Runtime.exceptionThrown":
                found.append("error: " + what["exceptionDetails"]["text"])
            elif e.get("method") == "Log.entryAdded" and what["entry"]["level"] in ("error", "warning"):
                found.append("error: " + what["entry"]["text"])
            elif e.get("method") == "Runtime.consoleAPICalled":
                found.append("error: the console was written to")
            elif e.get("method") == "Network.requestWillBeSent" and what["request"]["url"].split("#")[0] != address:
                found.append("fetched: " + what["request"]["url"][:80])
        return found

    def end(self):
        os.close(self.writer)
        self.process.terminate()
        self.process.wait()


def look(browser, directory, page):
    """Complaints about one page."""
    address = "file://" + os.path.join(directory, page)
    name = page.rsplit(".", 1)[0]
    found, brightness = [], {}
    for width in WIDTHS:
        for scheme in ("light", "dark"):
            browser.ask("Emulation.setDeviceMetricsOverride", width=width, height=900, deviceScaleFactor=1, mobile=False)
            browser.ask("Emulation.setEmulatedMedia", media="", features=[{"name": "prefers-color-scheme", "value": scheme}])
            browser.load(address)
            seen = browser.evaluate(LOOK)
            brightness[scheme] = float(seen.pop()[1:])
            where = "%s, %d px, %s: " % (page, width, scheme)
            found += [where + text for text in browser.complaints(address) + seen]
            if os.environ.get("KEEP"):
                picture = browser.ask("Page.captureScreenshot", captureBeyondViewport=True)
                with open(os.path.join(directory, "%s-%d-%s.png" % (name, width, scheme)), "wb") as f:
                    f.write(base64.b64decode(picture["data"]))
    if not (brightness["light"] > 0.5 > 0.1 > brightness["dark"]):
        found.append("%s: no dark look: %s" % (page, brightness))
    return found + print_it(browser, directory, page, name)


def print_it(browser, directory, page, name):
    """On paper there is no night."""
    found = []
    browser.ask("Emulation.setEmulatedMedia", media="print", features=[{"name": "prefers-color-scheme", "value": "dark"}])
    paper = float(browser.evaluate(LOOK).pop()[1:])
    if paper < 0.9:
        found.append("%s: dark on paper: %.2f" % (page, paper))
    browser.ask("Emulation.setEmulatedMedia", media="", features=[])
    pdf = os.path.join(directory, name + ".pdf")
    with open(pdf, "wb") as f:
        f.write(base64.b64decode(browser.ask("Page.printToPDF", preferCSSPageSize=True, printBackground=True)["data"]))
    text = subprocess.run(["pdftotext", "-layout", pdf, "-"], check=True, capture_output=True).stdout.decode()
    pages = text.split("\f")[:-1]
    html = open(os.path.join(directory, page), encoding="utf-8").read()
    words = ["Caution", "Conditions", "Where this comes from", "SHA-256"] if "class=\"caution\"" in html else []
    found += ["%s: not on paper: %s" % (page, word) for word in words if word not in text]
    if not 1 <= len(pages) <= 30:
        found.append("%s: %d pages" % (page, len(pages)))
    if "class=\"simulated\"" in html and not all("SIMULATED" in p for p in pages):
        found.append("%s: a page of paper does not say SIMULATED" % page)
    return found


def main():
    directory, pages = sys.argv[1], sys.argv[2:]
    browser = Browser(directory)
    found = []
    try:
        for page in pages:
            found += look(browser, directory, page)
    finally:
        browser.end()
    print("\n".join(found))
    return 1 if found else 0


sys.exit(main())
