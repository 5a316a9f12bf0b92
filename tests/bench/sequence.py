#!/usr/bin/env python3
"""The whole `undistort` command on sequences of EXR frames, beside reading and writing the same files with
OpenEXR alone (copy_exr), and beside `oiiotool --st_warp` with our own map.

Processor time (user and system) of whole processes, taken in turn, so that other work on the machine meets all
alike; medians of ROUNDS rounds, and the ratio to copy_exr in the same run. Peak memory is that of the process.

    python3 tests/bench/sequence.py [--build build] [--rounds 3] [--sizes hd,4k,8k] [--types half,float]
        [--compressions none,zip,piz] [--threads 1,2] [--filter cubic] [--oiiotool]
"""
import argparse
import os
import pathlib
import shutil
import statistics
import subprocess
import sys
import tempfile

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
    parser.add_argument("--oiiotool", action="store_true")
    options = parser.parse_args()
    trueplate = str(pathlib.Path(options.build, "cli/trueplate").resolve())
    copy_exr = str(pathlib.Path(options.build, "tests/bench/copy_exr").resolve())

    with tempfile.TemporaryDirectory() as name:
        work = pathlib.Path(name)
        quiet = {"check": True, "stdout": subprocess.DEVNULL}
        lens, demo = work / "lens.json", work / "demo"
        subprocess.run([trueplate, "demo", "-o", demo, "--scale", "0.5", "--quiet"], **quiet)
        subprocess.run([trueplate, "calibrate", demo / "plover-25/chart.####.exr", "--chart", "checkerboard",
                        "--grid", "14x9", "--pitch", "40mm", "-o", lens, "--quiet"], **quiet)
        print("| frames | type | compression | threads | reading and writing | undistort | ratio | peak memory | "
              "in + out as float |" + (" st_warp |" if options.oiiotool else ""))
        print("|---|---|---|---|---|---|---|---|---|" + ("---|" if options.oiiotool else ""))
        for size in options.sizes.split(","):
            width, height, count = SIZES[size]
            map_file = work / "map.exr"
            subprocess.run([trueplate, "stmap", lens, "--size", f"{width}x{height}", "--overscan", "none",
                            "--undistort", map_file, "--overwrite", "--quiet"], **quiet)
            for kind in options.types.split(","):
                for compression in options.compressions.split(","):
                    plates = fresh(work / "plates")
                    first = plates / "plate.0001.exr"
                    # Noise as of a camera; a picture enlarged without it compresses too well.
                    subprocess.run(["oiiotool", demo / "plover-25/plate.1001.exr", "--resize",
                                    f"{width}x{height}", "--noise:type=gaussian:stddev=0.004", "--clamp:min=0",
                                    "--ch", "R,G,B,A=1",
                                    "-d", kind, "--compression", compression, "-o", first], **quiet)
                    for i in range(2, count + 1):
                        (plates / f"plate.{i:04}.exr").symlink_to(first)
                    for threads in options.threads.split(","):
                        report(options, trueplate, copy_exr, work, lens, map_file, plates, count,
                               (width, height, kind, compression, threads))


def report(options, trueplate, copy_exr, work, lens, map_file, plates, count, case):
    width, height, kind, compression, threads = case
    files = sorted(str(path) for path in plates.iterdir())
    times, peaks = {"copy": [], "ours": [], "st_warp": []}, []
    for _ in range(options.rounds):
        out = fresh(work / "out")
        times["copy"].append(measured([copy_exr, threads, *files, str(out)])[0])
        out = fresh(work / "out")
        seconds, peak = measured([trueplate, "undistort", lens, str(plates / "plate.####.exr"), "-o",
                                  str(out / "plate.####.exr"), "--overscan", "none", "--filter", options.filter,
                                  "--threads", threads, "--handoff", "none", "--quiet"])
        times["ours"].append(seconds)
        peaks.append(peak)
        if options.oiiotool:
            out = fresh(work / "out")
            times["st_warp"].append(count * measured(
                ["oiiotool", "--threads", threads, files[0], str(map_file), "--st_warp:filter=triangle:flip_t=1",
                 "-d", kind, "--compression", compression, "-o", str(out / "warped.exr")])[0])
    ms = {name: 1000 * statistics.median(values) / count for name, values in times.items() if values}
    ratio = statistics.median(ours / copy for ours, copy in zip(times["ours"], times["copy"]))
    in_flight = int(threads) + 1
    float_mib = 2 * width * height * 4 * 4 / (1 << 20)
    row = (f"| {count} x {width}x{height} | {kind} | {compression} | {threads} | {ms['copy']:.0f} ms | "
           f"{ms['ours']:.0f} ms | {ratio:.2f} | {max(peaks):.0f} MiB | {in_flight} x {float_mib:.0f} MiB |")
    if options.oiiotool:
        row += f" {ms['st_warp']:.0f} ms |"
    print(row, flush=True)


if __name__ == "__main__":
    main()
