#!/usr/bin/env python3
"""Links of the documents lead to files, and to headings, that exist; drawings are those that their script draws, and
the programs in docs/library.md are those of docs/examples.

    python3 tests/docs/check_links.py SOURCE_FOLDER
"""
import re
import subprocess
import sys
import tempfile
from pathlib import Path

LINK = re.compile(r"\]\(([^)\s]+)\)")


def anchors(document):
    """The places of a document that links may name, as usual viewers make them of its headings."""
    found = set()
    for heading in re.findall(r"^#+ (.*)$", document.read_text(), re.MULTILINE):
        words = re.sub(r"[^\w\- ]", "", heading.lower())
        found.add(words.replace(" ", "-"))
    return found


def broken_links(document):
    for line, text in enumerate(document.read_text().splitlines(), 1):
        for target in LINK.findall(text):
            if re.match(r"[a-z]+:", target):
                continue
            path, _, anchor = target.partition("#")
            file = (document.parent / path).resolve() if path else document
            if not file.exists():
                yield f"{document}:{line}: no file {path}"
            elif anchor and file.suffix == ".md" and anchor not in anchors(file):
                yield f"{document}:{line}: no heading #{anchor} in {file.name}"


def stale_drawings(pictures):
    with tempfile.TemporaryDirectory() as folder:
        subprocess.run([sys.executable, pictures / "draw.py", folder], check=True)
        for drawn in Path(folder).glob("*.svg"):
            there = pictures / drawn.name
            if not there.exists() or there.read_text() != drawn.read_text():
                yield f"{there} is not what draw.py draws: run it again"


def other_examples(library):
    shown = re.findall(r"^```cpp\n(.*?)^```$", library.read_text(), re.DOTALL | re.MULTILINE)
    for program in sorted((library.parent / "examples").glob("*.cpp")):
        if program.read_text() not in shown:
            yield f"{library} does not show {program.name} as it is"


def main():
    source = Path(sys.argv[1])
    documents = [source / "README.md", source / "DEVELOPERS.md", *sorted((source / "docs").glob("*.md"))]
    failures = [failure for document in documents for failure in broken_links(document)]
    failures += stale_drawings(source / "docs/pictures")
    failures += other_examples(source / "docs/library.md")
    index = (source / "docs/README.md").read_text()
    failures += [f"docs/README.md does not list {document.name}" for document in documents[2:]
                 if document.name != "README.md" and f"({document.name})" not in index]
    for failure in failures:
        print(f"FAILED {failure}")
    return 1 if failures else 0


if __name__ == "__main__":
    sys.exit(main())
