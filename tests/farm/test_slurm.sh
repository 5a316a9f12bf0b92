#!/usr/bin/env bash
# The Slurm array job of docs/sequences.md, cut to a dozen small frames, on a Slurm controller and node with
# configuration, ports, spool and authentication of their own, all of which ends with the test. Checks that the
# frames are those of one plain run, that the same job again makes only what is missing, and that a missing
# plate shows as exit status 3.
#   bash tests/farm/test_slurm.sh PROGRAM SOURCE_FOLDER
# Exit status 77: skipped, with the reason.
set -euo pipefail
program=$(realpath "$1")
docs=$(realpath "$2")/docs

skip() { echo "skipped: $1"; exit 77; }
die() { echo "test_slurm.sh: $1" >&2; exit 1; }
for tool in oiiotool munged slurmctld slurmd sbatch squeue scontrol; do
  command -v "$tool" > /dev/null || skip "$tool is not installed (Debian's slurm-wlm, openimageio-tools)"
done
[ "$(id -u)" -eq 0 ] || skip "slurmd starts jobs as their users, which needs root"

work=$(mktemp -d)
pids=()
finish() {
  local status=$?
  trap - EXIT
  # The last started ends first: the node, its controller, what authenticates them.
  for ((i = ${#pids[@]} - 1; i >= 0; i--)); do
    kill "${pids[i]}" 2> /dev/null || true
    wait "${pids[i]}" 2> /dev/null || true
  done
  if [ "$status" -ne 0 ]; then tail -n 15 "$work"/log/* >&2 || true; fi
  rm -rf "$work"
  exit "$status"
}
trap finish EXIT
chmod 755 "$work"  # munge wants its socket within everyone's reach
cd "$work"
mkdir -p log state spool run shot/plates shot/straight shot/plain

# wait_for SECONDS COMMAND...: until the command succeeds.
wait_for() {
  local tries=$(($1 * 10))
  shift
  for ((i = 0; i < tries; i++)); do
    if "$@" > /dev/null 2>&1; then return 0; fi
    sleep 0.1
  done
  return 1
}
free_port() {
  python3 -c 'import socket; s = socket.socket(); s.bind(("127.0.0.1", 0)); print(s.getsockname()[1])'
}

(umask 077 && head -c 128 /dev/urandom > run/munge.key)
munged --foreground --key-file="$work/run/munge.key" --socket="$work/run/munge.socket" \
  --pid-file="$work/run/munge.pid" --log-file="$work/log/munge" --seed-file="$work/run/munge.seed" \
  > log/munge.out 2>&1 &
pids+=($!)
host=$(hostname -s)
cat > slurm.conf << END
ClusterName=trial
SlurmctldHost=$host(127.0.0.1)
SlurmUser=root
AuthType=auth/munge
CredType=cred/munge
AuthInfo=socket=$work/run/munge.socket
SlurmctldPort=$(free_port)
SlurmdPort=$(free_port)
StateSaveLocation=$work/state
SlurmdSpoolDir=$work/spool
SlurmctldPidFile=$work/run/slurmctld.pid
SlurmdPidFile=$work/run/slurmd.pid
ProctrackType=proctrack/linuxproc
TaskPlugin=task/none
JobAcctGatherType=jobacct_gather/none
AccountingStorageType=accounting_storage/none
SwitchType=switch/none
MpiDefault=none
PropagateResourceLimits=NONE
SelectType=select/cons_tres
SelectTypeParameters=CR_CPU
SchedulerParameters=sched_min_interval=100000,batch_sched_delay=0
ReturnToService=2
NodeName=$host NodeAddr=127.0.0.1 CPUs=2 RealMemory=512 State=UNKNOWN
PartitionName=main Nodes=$host Default=YES State=UP
END
export SLURM_CONF="$work/slurm.conf"
wait_for 10 test -S run/munge.socket || die "munged does not start"
slurmctld -D -i -f slurm.conf > log/slurmctld 2>&1 &
pids+=($!)
slurmd -D -N "$host" -f slurm.conf > log/slurmd 2>&1 &
pids+=($!)

cd shot
cat > lens.json << 'END'
{
  "format": "trueplate-lens-profile",
  "format_version": 1,
  "labels": {},
  "stations": [
    {
      "lens": {
        "plate_size_px": {"width": 320, "height": 180},
        "pixel_aspect": 1,
        "squeeze": 1,
        "focal_px": {"x": 320, "y": 320},
        "principal_point_px": {"x": 160, "y": 90},
        "model": "radial-tangential",
        "coefficients": {"k1": -0.15, "k2": 0.05, "k3": 0, "p1": 0, "p2": 0}
      },
      "warnings": []
    }
  ],
  "provenance": {"created": "2031-05-04T10:20:30Z", "program": {"name": "test", "version": "1"},
                 "method": "invented", "footage": []}
}
END
for i in $(seq 1001 1012); do
  oiiotool --pattern "checker:width=$((i - 990)):color1=0.1,0.2,0.3:color2=0.9,0.8,0.7" 320x180 3 -d half \
    -o "plates/plate.$i.exr"
done
"$program" undistort lens.json 'plates/plate.####.exr' -o 'plain/straight.####.exr' --handoff none --quiet

# The job as documented, with four tasks of three frames on a small machine.
sed -n '/^#!\/bin\/bash$/,/^```$/p' "$docs/sequences.md" | grep -v '^```' > documented.sbatch
sed -e 's/--array=0-19/--array=0-3/' -e 's/--cpus-per-task=4/--cpus-per-task=1/' -e 's/--mem=4G/--mem=100M/' \
  -e 's/\* 100/* 3/' -e 's/+ 99/+ 2/' documented.sbatch > undistort.sbatch
[ "$(diff documented.sbatch undistort.sbatch | grep -c '^>')" -eq 5 ] || die "the documented job has another form"

PATH=$(dirname "$program"):$PATH
wait_for 60 sh -c 'sinfo -h -o %T | grep -q idle' || die "the node does not come up"
# run_job: submits the job and waits for its end; leaves its id in $job.
run_job() {
  job=$(sbatch --parsable --output="$work/log/job.%A_%a" undistort.sbatch)
  wait_for 120 sh -c "! squeue -h -j $job | grep -q ." || die "job $job does not end"
}
exit_code() { scontrol show job "$job" | grep -o 'ExitCode=[0-9]*:[0-9]*' | sort | uniq -c | tr -s ' \n' ' '; }

run_job
[ "$(exit_code)" = " 4 ExitCode=0:0 " ] || die "tasks end with $(exit_code)"
diff -r -x "*.json" -x "*.txt" plain straight || die "the frames differ from those of one run"

echo "made again: what is missing, nothing else"
rm straight/straight.1002.exr straight/straight.1009.exr
touch -d '2001-01-01' straight/*.exr
run_job
[ "$(exit_code)" = " 4 ExitCode=0:0 " ] || die "tasks end with $(exit_code)"
diff -r -x "*.json" -x "*.txt" plain straight || die "the frames differ from those of one run"
[ "$(find straight -name '*.exr' -newermt 2002-01-01 | wc -l)" -eq 2 ] || die "complete frames were made again"

echo "a plate that is missing: its task ends with status 3, the other frames are there"
rm plates/plate.1005.exr straight/*.exr
run_job
[ "$(exit_code)" = " 3 ExitCode=0:0 1 ExitCode=3:0 " ] || die "tasks end with $(exit_code)"
grep -q 'plate.1005.exr: no such file' "$work/log/job.${job}_1" || die "the missing plate is not named"
[ "$(find straight -name '*.exr' | wc -l)" -eq 11 ] || die "other frames are missing, too"
echo "ok: 3 array jobs of 4 tasks"
