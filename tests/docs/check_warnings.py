#!/usr/bin/env python3
"""Every warning that the program can give is explained in docs/troubleshooting.md, and no other.

    python3 tests/docs/check_warnings.py SOURCE_FOLDER

A warning's code is a word in kebab case between quotes. The sources are searched for those that stand first in a warning, and
for all that have a hyphen; NOT_WARNINGS names the latter that are something else.
"""
import re
import sys
from pathlib import Path

NOT_WARNINGS = set("""
    cylindrical-2 cylindrical-3 division-1 division-2 radial-free-centre radial-tangential rational-prism
    rational-prism-tilt spline-field dots-staggered
    bottom-left top-left mm-1 mm-2 radial-table entrance-pupil t-stop rotation-and-focal
    all-free trueplate-chart trueplate-handoff trueplate-lens-profile trueplate-shot-handoff
    not-distinguishable too-uncertain bash-completion vendor-completions
""".split())
VERDICTS = set("""little-parallax markers-off one-plane pixel-aspect pure-rotation slipped-track too-few-common wrong-focal""".split())
FIRST_IN_WARNING = re.compile(
    r'(?:\bwarn\(|Warning\{|[wW]arnings?(?:->|\.)(?:push_back|emplace_back)\(\s*(?:Warning)?\{?)\s*(?:\.code = )?"([a-z]+)"')
WITH_HYPHEN = re.compile(r'"([a-z][a-z0-9]*(?:-[a-z0-9]+)+)"')
EXPLAINED = re.compile(r"^\| `([a-z0-9-]+)` \|", re.MULTILINE)


def main():
    source = Path(sys.argv[1])
    codes, verdicts = {}, set()
    for folder in ("calib", "warp", "cli"):
        for file in sorted((source / folder).rglob("*.cpp")) + sorted((source / folder).rglob("*.h")):
            code = re.sub(r"//.*", "", file.read_text())
            for word in FIRST_IN_WARNING.findall(code) + WITH_HYPHEN.findall(code):
                if word in VERDICTS:
                    verdicts.add(word)
                elif word not in NOT_WARNINGS:
                    codes.setdefault(word, file.relative_to(source))
    explained = set(EXPLAINED.findall((source / "docs/troubleshooting.md").read_text()))
    failures = [f"{file}: \"{code}\" has no row in docs/troubleshooting.md (or is no warning: then name it in {Path(__file__).name})"
                for code, file in sorted(codes.items()) if code not in explained]
    failures += [f"docs/troubleshooting.md explains `{code}`, which the program never says"
                 for code in sorted(explained - set(codes) - verdicts - {"good", "lens"})]
    failures += [f"{code}: a verdict of solve without a row" for code in sorted(verdicts - explained)]
    for failure in failures:
        print(f"FAILED {failure}")
    print(f"{len(codes)} warnings, {len(verdicts)} verdicts")
    return 1 if failures or len(codes) < 60 else 0


if __name__ == "__main__":
    sys.exit(main())
