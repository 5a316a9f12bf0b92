#!/usr/bin/env python3
"""Runs the tests and benchmarks behind the tables of a document and sets what they print beside what it says.

    python3 tests/docs/accuracy_figures.py BUILD_FOLDER DOCUMENT [WORDS OF A HEADING...]

Each table is taken with the tests that are named (`calib/test_photographs`, `bench_detect`) since the heading above it, or
in it. A figure counts as printed when one of them printed a number that rounds to it at its number of digits. So a figure that is
not printed has changed, or the document computes it from others; that one is printed can, for numbers of one or two
digits, be chance. Exit status 1 when figures are not printed, 0 when all are.
"""
import re
import subprocess
import sys
from pathlib import Path

TEST = re.compile(r"`(?:build/tests/bench/)?((?:calib|warp|charts|cli)/[\w/]*test_\w+|bench_\w+)`")
NUMBER = re.compile(r"(?<![\w.])[-+]?\d+(?:\.\d+)?(?:e[-+]?\d+)?(?![\w])")


class Tables:
    """The tables of a document, each with its heading and the tests that stand before it or in it."""

    def __init__(self, document):
        self.tables = []
        heading, tests, rows = "", [], []
        for number, line in enumerate(document.read_text().splitlines() + [""], 1):
            named = TEST.findall(line)
            if line.startswith("|"):
                if not set(line) <= set("|-: "):
                    rows.append((number, line, named))
                continue
            if rows:
                self.tables.append((heading, list(tests), rows[1:]))  # without its head
                rows = []
            if line.startswith("#"):
                heading, tests = line.lstrip("# "), []
            tests += [name for name in named if name not in tests]


def program_of(test, build):
    if test.startswith("bench_"):
        return build / "tests/bench" / test
    return build / "tests" / Path(test).parent / ("tests_" + test.replace("/", "_"))


class Printed:
    """The numbers that a test prints; each test is run once."""

    def __init__(self, build):
        self.build, self.numbers = build, {}

    def by(self, test):
        if test not in self.numbers:
            program = program_of(test, self.build)
            if not program.exists():
                print(f"  {test}: not built, left out")
                self.numbers[test] = []
            else:
                done = subprocess.run([program], cwd=program.parent, stdout=subprocess.PIPE, stderr=subprocess.STDOUT,
                                      text=True, errors="replace")
                self.numbers[test] = [float(n) for n in NUMBER.findall(done.stdout)]
                state = "skipped" if done.returncode == 77 else f"{len(self.numbers[test])} numbers"
                print(f"  {test}: {state}, exit status {done.returncode}")
        return self.numbers[test]


def rounds_to(number, figure):
    mantissa, _, exponent = figure.partition("e")
    digits = len(mantissa.partition(".")[2])
    scale = 10.0 ** int(exponent or 0)
    near = 0.5 * 10.0 ** -digits * scale * 1.001
    return any(abs(factor * number - float(figure)) <= near for factor in (1.0, 100.0))  # shares as per cent


def main():
    build, document = Path(sys.argv[1]), Path(sys.argv[2])
    wanted = " ".join(sys.argv[3:]).lower()
    printed, missing, total = Printed(build), 0, 0
    for heading, tests, rows in Tables(document).tables:
        if wanted not in heading.lower():
            continue
        print(f"{document.name}:{rows[0][0]}: {heading}" if rows else heading)
        for line, text, named in rows:
            sources = named or tests
            numbers = [number for test in sources for number in printed.by(test)]
            if not numbers:
                continue
            cells = text.split("|")[2:]  # the first one says under which conditions
            figures = NUMBER.findall(re.sub(r"`[^`]*`", "", "|".join(cells)))
            absent = [f for f in figures if not any(rounds_to(n, f) for n in numbers)]
            total, missing = total + len(figures), missing + len(absent)
            label = text.split("|")[1].strip()
            print(f"    {line}: {label}: {len(figures) - len(absent)} of {len(figures)} printed"
                  + (f"; not printed: {', '.join(absent)}" if absent else ""))
    print(f"{total - missing} of {total} figures printed")
    return 1 if missing else 0


if __name__ == "__main__":
    sys.exit(main())
