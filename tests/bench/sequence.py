#!/usr/bin/env python3
"""The whole `undistort` command on sequences of EXR frames, beside reading and writing the same files with
OpenEXR alone (copy_exr), and beside `oiiotool --st_warp` with our own map.

Before a case is timed its first frame is compared with what `oiiotool --st_warp` makes of it with our map and the same
filter; a pixel that differs by more than DIFFERENCE ends the run.

Processor time (user and system) of whole processes, taken in turn, so that other work on the machine meets all
alike; medians of ROUNDS rounds, and the ratio to copy_exr in the same run. "A further frame" is the same ratio of what
the frames after the first cost, one more first than threads: without the start of the program, and without the memory
that the system hands out and clears once. Peak memory is that of the process. With --disk (needs root) also the time that
passes, input read from the disk (the system's cache of files is emptied before) and output on it in the end (synced), over
that of copy_exr: what a shot takes on a machine that has not just seen it.

    python3 tests/bench/sequence.py [--build build] [--rounds 3] [--frames N] [--sizes hd,4k,8k] [--types half,float]
        [--compressions none,zip,piz] [--threads 1,2] [--filter cubic] [--oiiotool] [--disk] [--work FOLDER]
"""
import argparse
import os
import pathlib
import shutil
import statistics
import subprocess
import sys
import tempfile
import time

# The library's names of the filters.
FILTERS = {"bilinear": "triangle", "cubic": "catmull-rom", "lanczos": "lanczos3"}
# Largest difference from the library, pictures being clamped to 0..1: a step of half, and for float what the rounding of
# positions in single precision, there, makes of noise.
DIFFERENCE = {"half": 1e-3, "float": 5e-4}
PROGRAM_MIB = 190  # 200 MB
MARGIN = 8  # pixels at the sides, where the library treats what lies outside otherwise

# Width, height (of the shape the lens belongs to) and number of frames.
SIZES = {"hd": (1920, 1080, 32), "4k": (4096, 2304, 8), "8k": (8192, 4608, 4)}


def measured(command):
    """Runs a command; returns its processor time in seconds and its peak memory in MiB."""
    process = subprocess.Popen(command, stdout=subprocess.DEVNULL)
    _, status, usage = os.wait4(process.pid, 0)
    process.returncode = os.waitstatus_to_exitcode(status)
    if process.returncode != 0:
        sys.exit(f"sequence.py: status {process.returncode} of {command}")
    return usage.ru_utime + usage.ru_stime, usage.ru_maxrss / 1024


def from_disk(command):
    """The time that passes until what the command writes is on the disk, nothing it reads being in memory before."""
    os.sync()
    pathlib.Path("/proc/sys/vm/drop_caches").write_text("3")
    begin = time.monotonic()
    measured(command)
    os.sync()
    return time.monotonic() - begin


def st_warp(options, threads, plate, map_file, kind, compression, out):
    return ["oiiotool", "--threads", threads, str(plate), str(map_file),
            f"--st_warp:filter={FILTERS[options.filter]}:flip_t=1",
            "-d", kind, "--compression", compression, "-o", str(out)]


def undistort(options, trueplate, lens, threads, plates, out):
    return [trueplate, "undistort", str(lens), str(plates), "-o", str(out), "--overscan", "none",
            "--filter", options.filter, "--threads", threads, "--handoff", "none", "--quiet"]


def check(options, trueplate, work, lens, map_file, plate, case):
    """Ends the run when the answer is not the library's."""
    width, height, kind, compression = case
    threads = options.threads.split(",")[0]  # any number gives the same bits
    ours, theirs = work / "ours.exr", work / "theirs.exr"
    for command in (undistort(options, trueplate, lens, threads, plate, ours) + ["--overwrite"],
                    st_warp(options, threads, plate, map_file, kind, compression, theirs)):
        subprocess.run(command, check=True, stdout=subprocess.DEVNULL)
    inside = f"{width - 2 * MARGIN}x{height - 2 * MARGIN}+{MARGIN}+{MARGIN}"
    limit = str(DIFFERENCE[kind])
    compared = subprocess.run(["oiiotool", str(ours), "--cut", inside, str(theirs), "--cut", inside, "--fail", limit,
                               "--hardfail", limit, "--failpercent", "0", "--diff"],
                              stdout=subprocess.PIPE, text=True, check=False)
    if compared.returncode != 0:
        sys.exit(f"sequence.py: {case}: not the picture of oiiotool --st_warp\n{compared.stdout}")


def fresh(folder):
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir()
    return folder


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("--build", default="build")
    parser.add_argument("--rounds", type=int, default=3)
    for name, default in (("sizes", "hd,4k,8k"), ("types", "half,float"), ("compressions", "none,zip,piz"),
                          ("threads", "1,2"), ("filter", "cubic")):
        parser.add_argument("--" + name, default=default)
    parser.add_argument("--frames", type=int, help="of each sequence; default 32 of HD, 8 of 4K, 4 of 8K")
    parser.add_argument("--oiiotool", action="store_true")
    parser.add_argument("--disk", action="store_true")
    parser.add_argument("--work", help="where the sequences go; default a temporary folder")
    options = parser.parse_args()
    trueplate = str(pathlib.Path(options.build, "cli/trueplate").resolve())
    copy_exr = str(pathlib.Path(options.build, "tests/bench/copy_exr").resolve())

    with tempfile.TemporaryDirectory(dir=options.work) as name:
        work = pathlib.Path(name)
        quiet = {"check": True, "stdout": subprocess.DEVNULL}
        lens, demo = work / "lens.json", work / "demo"
        subprocess.run([trueplate, "demo", "-o", demo, "--scale", "0.5", "--quiet"], **quiet)
        subprocess.run([trueplate, "calibrate", demo / "plover-25/chart.####.exr", "--chart", "checkerboard",
                        "--grid", "14x9", "--pitch", "40mm", "-o", lens, "--quiet"], **quiet)
        print("| frames | type | compression | threads | reading and writing | undistort | ratio | a further frame | "
              "peak memory | stated |" + (" st_warp |" if options.oiiotool else "") + (" disk to disk | ratio |" if options.disk else ""))
        print("|" + "---|" * (10 + options.oiiotool + 2 * options.disk))
        for size in options.sizes.split(","):
            width, height, count = SIZES[size]
            count = options.frames or count
            map_file = work / "map.exr"
            subprocess.run([trueplate, "stmap", lens, "--size", f"{width}x{height}", "--overscan", "none",
                            "--undistort", map_file, "--overwrite", "--quiet"], **quiet)
            for kind in options.types.split(","):
                for compression in options.compressions.split(","):
                    plates = fresh(work / "plates")
                    first = plates / "plate.0001.exr"
                    # Noise as of a camera; a picture enlarged without it compresses too well.
                    subprocess.run(["oiiotool", demo / "plover-25/plate.1001.exr", "--resize",
                                    f"{width}x{height}", "--noise:type=gaussian:stddev=0.004", "--clamp:min=0:max=1",
                                    "--ch", "R,G,B,A=1",
                                    "-d", kind, "--compression", compression, "-o", first], **quiet)
                    for i in range(2, count + 1):
                        further = plates / f"plate.{i:04}.exr"
                        # Of one file the disk would be read once.
                        shutil.copy(first, further) if options.disk else further.symlink_to(first)
                    check(options, trueplate, work, lens, map_file, first, (width, height, kind, compression))
                    for threads in options.threads.split(","):
                        report(options, trueplate, copy_exr, work, lens, map_file, plates, count,
                               (width, height, kind, compression, threads))


def report(options, trueplate, copy_exr, work, lens, map_file, plates, count, case):
    width, height, kind, compression, threads = case
    files = sorted(str(path) for path in plates.iterdir())
    few = int(threads) + 1
    times, peaks, further = {"copy": [], "ours": [], "st_warp": []}, [], []
    disk = {"copy": [], "ours": []}

    def copy_command(num):
        return [copy_exr, threads, *files[:num], str(fresh(work / "out"))]

    def our_command(num):
        out = fresh(work / "out")
        return undistort(options, trueplate, lens, threads, plates / "plate.####.exr",
                         out / "plate.####.exr") + ["--frames", f"1-{num}"]

    def copy(num):
        return measured(copy_command(num))[0]

    def ours(num):
        return measured(our_command(num))

    for _ in range(options.rounds):
        times["copy"].append(copy(count))
        seconds, peak = ours(count)
        times["ours"].append(seconds)
        peaks.append(peak)
        if count > few:
            further.append((seconds - ours(few)[0]) / (times["copy"][-1] - copy(few)))
        if options.disk:
            disk["copy"].append(from_disk(copy_command(count)))
            disk["ours"].append(from_disk(our_command(count)))
        if options.oiiotool:
            out = fresh(work / "out")
            times["st_warp"].append(count * measured(
                st_warp(options, threads, files[0], map_file, kind, compression, out / "warped.exr"))[0])
    ms = {name: 1000 * statistics.median(values) / count for name, values in times.items() if values}
    ratio = statistics.median(one / other for one, other in zip(times["ours"], times["copy"]))
    later = f"{statistics.median(further):.2f}" if further else "-"
    # What docs/sequences.md states for RGBA: each frame's input as float, the map, and the program.
    mib = 1 << 20
    stated = (int(threads) + 1) * width * height * 4 * 4 / mib + 8 * width * height / mib + PROGRAM_MIB
    row = (f"| {count} x {width}x{height} | {kind} | {compression} | {threads} | {ms['copy']:.0f} ms | "
           f"{ms['ours']:.0f} ms | {ratio:.2f} | {later} | {max(peaks):.0f} MiB | {stated:.0f} MiB |")
    if options.oiiotool:
        row += f" {ms['st_warp']:.0f} ms |"
    if options.disk:
        ratio = statistics.median(one / other for one, other in zip(disk["ours"], disk["copy"]))
        row += f" {statistics.median(disk['ours']) / count * 1000:.0f} ms | {ratio:.2f} |"
    print(row, flush=True)


if __name__ == "__main__":
    main()
