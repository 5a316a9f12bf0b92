#!/usr/bin/env python3
"""Runs the command lines of README.md and docs/*.md as they stand there.

    python3 tests/docs/run_commands.py PROGRAM SOURCE_FOLDER [DOCUMENT...]

Blocks marked `sh`, and lines that are nothing but a `trueplate ...`, are run in order by bash, those of one document in one
fresh folder, on small demo data. Where tests/docs/prepare/NAME.sh exists it first puts there what the document supposes
(footage, a profile); NAME.sed says what words such as FRAMES stand for. A command that fails is named with the
document's line. A block after `<!-- not run: REASON -->` is not run; the reason is printed.

Then, without running them: every option of every `trueplate ...` in those documents, inside a sentence or in a block,
has to be one that the command's own help knows. And every line of a `text` block has to occur in what the block before
it printed (up to ` ...` where it ends so), numbers aside: `demo` makes its pictures a quarter as large here as by default, with the same words.
"""
import os
import re
import shlex
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

NOT_RUN = re.compile(r"<!-- not run: (.+) -->")
FENCE = re.compile(r"^```(\w*)$")
NUMBER = re.compile(r"[-+]?\d+(\.\d+)?(e[-+]?\d+)?")


class Block:
    def __init__(self, kind, first_line, reason):
        self.kind, self.first_line, self.reason = kind, first_line, reason  # first_line counts from 1
        self.lines = []
        self.is_line = False  # without fences


def blocks_of(text):
    """The fenced blocks of a document, in order."""
    blocks, open_block, reason = [], None, None
    for number, line in enumerate(text.splitlines(), 1):
        fence = FENCE.match(line)
        if open_block is not None:
            if line == "```":
                blocks.append(open_block)
                open_block = None
            else:
                open_block.lines.append(line)
        elif re.fullmatch(r"`trueplate [^`]+`", line):
            blocks.append(Block("sh", number, None))
            blocks[-1].lines.append(line.strip("`"))
            blocks[-1].is_line = True
        elif fence:
            open_block = Block(fence[1], number + 1, reason)
            reason = None
        else:
            marked = NOT_RUN.match(line)
            reason = marked[1] if marked else (reason if not line.strip() else None)
    return blocks


def script_of(blocks, marker):
    """The blocks that are run as one script whose line numbers are those of the document. After each it says so."""
    lines = []
    for block in blocks:
        if block.kind != "sh" or block.reason:
            continue
        lines += [""] * (block.first_line - 1 - len(lines))
        lines += block.lines
        said = f"echo '{marker} {block.first_line}'"
        if block.is_line:
            lines[-1] += f"; {said}"
        else:
            lines.append(said)  # in the place of the closing fence
    return "\n".join(lines) + "\n"


def wrapper(folder, program):
    """A folder for PATH whose `trueplate` makes small demos, each only once."""
    folder.mkdir()
    script = folder / "trueplate"
    script.write_text(f"""#!/bin/bash
if [ "${{1:-}}" = demo ] && [ "$#" -eq 3 ] && [ "$2" = -o ]; then
  if [ ! -d {folder}/demo ]; then {program} demo -o {folder}/demo --scale 0.25 > {folder}/said; fi
  [ ! -e "$3" ] || exit 1
  cp -r {folder}/demo "$3" && sed 's| {folder}/demo/| '"$3"'/|' {folder}/said
else
  exec {program} "$@"
fi
""")
    script.chmod(0o755)


def run(document, blocks, work, bin_folder, prepare):
    """What each block printed, by its first line; the failure in words, or None."""
    folder = work / document.stem
    folder.mkdir()
    marker = "end of block"
    script = work / document.name
    script.write_text(script_of(blocks, marker))
    environment = dict(os.environ, PATH=f"{bin_folder}:{os.environ['PATH']}", SOURCE_DATE_EPOCH="1893456000")
    prelude = "trap 'echo \"line $LINENO fails\" >&2' ERR; set -eE -o pipefail; "
    words = prepare.with_suffix(".sed")
    if words.exists():
        subprocess.run(["sed", "-E", "-i", "-f", words, script], check=True)
    if prepare.exists():
        made = subprocess.run(["bash", "-e", prepare], cwd=folder, env=environment, capture_output=True, text=True)
        if made.returncode == 77:
            return {}, f"skipped: {made.stdout.strip()}"
        if made.returncode != 0:
            return {}, f"{prepare.name} fails: {made.stdout}{made.stderr}"
    done = subprocess.run(["bash", "-c", prelude + f". {shlex.quote(str(script))}"], cwd=folder, env=environment,
                          stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True)
    printed, said = {}, []
    for line in done.stdout.splitlines():
        end = re.fullmatch(rf"{marker} (\d+)", line)
        if end:
            printed[int(end[1])] = said
            said = []
        else:
            said.append(line)
    if done.returncode == 0:
        return printed, None
    where = re.search(r"^line (\d+) fails$", done.stdout, re.MULTILINE)
    line = where[1] if where else "?"
    return printed, f":{line}: exit status {done.returncode}\n" + "\n".join(said[-20:])


def worded(line):
    """A printed line without its numbers and the width of its columns."""
    return " ".join(NUMBER.sub("#", line).split())


def was_said(line, said):
    words = worded(line)
    if words.endswith(" ..."):
        return any(other.startswith(words[:-4]) for other in said)
    return words in said


def unlike(blocks, printed):
    """Lines of text blocks that the block of commands before them did not print."""
    missing, said = [], None
    for block in blocks:
        if block.kind == "sh":
            said = {worded(line) for line in printed[block.first_line]} if block.first_line in printed else None
        elif block.kind == "text" and said is not None:
            for offset, line in enumerate(block.lines):
                if line.strip() not in ("", "...") and not was_said(line, said):
                    missing.append((block.first_line + offset, line))
    return missing


class Options:
    """The options of each command, as its help names them."""

    def __init__(self, program):
        self.program, self.known = program, {}

    def of(self, words):
        if words not in self.known:
            help_text = subprocess.run([self.program, *words, "--help"], capture_output=True, text=True).stdout
            self.known[words] = set(re.findall(r"(?<![\w-])--?[a-z][a-z-]*", help_text)) | {"--help", "--version"}
        return self.known[words]

    def unknown(self, command_line):
        """Options of a `trueplate ...` that its command does not have."""
        words = re.split(r"\s+", command_line.strip())[1:]
        if not words or not re.fullmatch(r"[a-z]+", words[0]):
            return []
        path = tuple(words[:2]) if words[0] == "archive" and re.fullmatch(r"[a-z]+", "".join(words[1:2])) else (words[0],)
        found = [w for w in words if re.fullmatch(r"--?[a-z][a-z-]*", w)]
        return [w for w in found if w not in self.of(path) | self.of(path[:1])]


def command_lines(text, blocks):
    """Every `trueplate ...` of a document with its line: in blocks, and as code inside sentences."""
    found = []
    for block in blocks:
        joined, start = "", 0
        for offset, line in enumerate(block.lines):
            start = start or block.first_line + offset
            joined += line.rstrip("\\") if line.endswith("\\") else line
            if not line.endswith("\\"):
                for match in re.finditer(r"(?:^|[;&|(]|exec )\s*(trueplate [^#;&|>]*)", joined):
                    found.append((start, match[1]))
                joined, start = "", 0
    for number, line in enumerate(text.splitlines(), 1):
        found += [(number, match[1]) for match in re.finditer(r"`(trueplate [^`]+)`", line)]
    return found


def main():
    program, source = Path(sys.argv[1]).resolve(), Path(sys.argv[2]).resolve()
    documents = [source / "README.md"] + sorted((source / "docs").glob("*.md"))
    if sys.argv[3:]:
        documents = [d for d in documents if d.name in sys.argv[3:]]
    options, failures, ran = Options(program), [], 0
    with tempfile.TemporaryDirectory() as scratch:
        work = Path(scratch)
        wrapper(work / "bin", program)
        for document in documents:
            name = document.relative_to(source)
            text = document.read_text()
            blocks = blocks_of(text)
            for line, command_line in command_lines(text, blocks):
                failures += [f"{name}:{line}: `{command_line.split()[1]}` has no option {option}"
                             for option in options.unknown(command_line)]
            for block in blocks:
                if block.reason:
                    print(f"not run: {name}:{block.first_line}: {block.reason}")
            if not any(b.kind == "sh" and not b.reason for b in blocks):
                continue
            prepare = source / "tests/docs/prepare" / f"{document.stem}.sh"
            printed, failure = run(document, blocks, work, work / "bin", prepare)
            if failure and failure.startswith("skipped"):
                print(f"{failure} ({name})")
                continue
            ran += len(printed)
            if failure:
                failures.append(f"{name}{failure}" if failure.startswith(":") else f"{name}: {failure}")
            failures += [f"{name}:{line}: the block before does not print: {words}"
                         for line, words in unlike(blocks, printed)]
            shutil.rmtree(work / document.stem)
    print(f"{ran} blocks run")
    for failure in failures:
        print(f"FAILED {failure}")
    return 1 if failures else 0


if __name__ == "__main__":
    sys.exit(main())
