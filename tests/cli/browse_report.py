"""Loads a report page in headless Chromium, as it is and in a copy with page_checks.js in it.

    browse_report.py PAGE [WIDTH]

Prints what is wrong, a line each, and ends with status 1; else `ok: N checks: KINDS`. Without
Chromium prints `skipped: ...`. WIDTH is that of the window, in pixels (1200).
"""

import html
import json
import pathlib
import re
import shutil
import subprocess
import sys
import tempfile


def browse(chromium, page, folder, width):
    """What the page has become, and what the browser said of errors."""
    run = subprocess.run(
        [chromium, "--headless", "--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage",
         f"--user-data-dir={folder}/profile", "--enable-logging=stderr", "--virtual-time-budget=2000",
         f"--window-size={width},900", "--dump-dom", page.resolve().as_uri()],
        capture_output=True, text=True, timeout=120, check=False)
    said = [line for line in run.stderr.splitlines() if "CONSOLE" in line]
    return run.stdout, said


def main():
    page = pathlib.Path(sys.argv[1])
    width = int(sys.argv[2]) if len(sys.argv) > 2 else 1200
    chromium = shutil.which("chromium")
    if chromium is None:
        print("skipped: chromium is not installed, so no browser judges the page")
        return 0
    wrong = []
    text = page.read_text(encoding="utf-8")
    if re.search(r"""(src|href)\s*=\s*["']?(https?:|//)""", text.split("<script>")[0]):
        wrong.append("the page asks for something from elsewhere")
    with tempfile.TemporaryDirectory() as folder:
        dom, said = browse(chromium, page, folder, width)
        wrong += [f"console: {line}" for line in said]
        if "<section" not in dom:
            wrong.append("the page as it is has drawn nothing")
        checks = (pathlib.Path(__file__).parent / "page_checks.js").read_text(encoding="utf-8")
        without_policy = re.sub(r'<meta http-equiv="Content-Security-Policy"[^>]*>', "", text)
        copy = pathlib.Path(folder) / "copy.html"
        copy.write_text(without_policy.replace("</body>\n</html>", f"<script>{checks}</script></body></html>"),
                        encoding="utf-8")
        dom, said = browse(chromium, copy, folder, width)
        wrong += [f"console of the copy: {line}" for line in said]
    found = re.search(r'<pre id="verdict">(.*?)</pre>', dom, re.DOTALL)
    if found is None:
        wrong.append("page_checks.js gave no verdict")
    else:
        verdict = json.loads(html.unescape(found.group(1)))
        wrong += verdict["failures"]
    for line in wrong:
        print(line)
    if not wrong:
        print(f"ok: {verdict['checks']} checks: {' '.join(verdict['kinds'])}")
    return 1 if wrong else 0


sys.exit(main())
