#!/usr/bin/env bash
# Makes the Debian packages of a build and does the main job with them: installed by dpkg on a copy of this system
# that is thrown away (an overlay; needs root), else unpacked into a folder. What they have to hold is Debian Policy
# (12.1 manual pages, 12.5 copyright, 12.7 changelog), read by hand.
#   smoke.sh BUILD WORK SOURCE VERSION
set -euo pipefail
build=$1 work=$2 source=$3 version=$4
fail() { echo "package: $*" >&2; exit 1; }
command -v cpack dpkg-deb dpkg-shlibdeps > /dev/null || { echo "skipped: no cpack or dpkg-dev"; exit 77; }

rm -rf "$work"
mkdir -p "$work/deb"
(cd "$work/deb" && cpack -G DEB --config "$build/CPackConfig.cmake" -B "$work/deb" > cpack.log 2>&1) ||
  { tail -n 40 "$work/deb/cpack.log"; fail "cpack failed"; }
program=$(ls "$work"/deb/trueplate_"$version"_*.deb)
development=$(ls "$work"/deb/libtrueplate-dev_"$version"_*.deb)

program_files=$(dpkg-deb -c "$program" | awk '{print $6}')
development_files=$(dpkg-deb -c "$development" | awk '{print $6}')
# has LIST PATTERN: a file of that path is among them.
has() { grep -qxE "$2" <<< "${!1}" || fail "$1: no $2"; }
has program_files './usr/bin/trueplate'
has program_files './usr/lib/(.*/)?trueplate/trueplate_pictures\.so'
has program_files './usr/lib/(.*/)?trueplate/trueplate_movies\.so'
has program_files './usr/share/man/man1/trueplate-calibrate\.1\.gz'
has program_files './usr/share/bash-completion/completions/trueplate'
has program_files './usr/share/fish/vendor_completions.d/trueplate\.fish'
has program_files './usr/share/zsh/vendor-completions/_trueplate'
has program_files './usr/share/doc/trueplate/copyright'
has program_files './usr/share/doc/trueplate/changelog\.gz'
has development_files './usr/lib/(.*/)?libtrueplate_warp\.a'
has development_files './usr/lib/(.*/)?pkgconfig/trueplate\.pc'
has development_files './usr/include/trueplate/calib/lens/lens\.h'
has development_files './usr/share/doc/libtrueplate-dev/copyright'
depends=$(dpkg-deb -f "$program" Depends)
for wanted in libopenimageio2.4 libavformat59 libopenexr libopencv-core fonts-dejavu-core; do
  [[ $depends == *"$wanted"* ]] || fail "does not depend on $wanted: $depends"
done
if command -v lintian > /dev/null; then
  lintian --fail-on error "$program" "$development" > "$work/lintian.log" 2>&1 ||
    { cat "$work/lintian.log"; fail "lintian finds errors"; }
fi

# The job itself, with the program of the PATH.
cat > "$work/job.sh" <<'JOB'
set -euo pipefail
version=$1 consumer=$2
[ "$(trueplate --version)" = "trueplate $version" ]
cd "$(mktemp -d)"
trueplate demo --scale 0.25 -o demo --quiet
trueplate calibrate 'demo/plover-25/chart.####.exr' --chart checkerboard --grid 14x9 --pitch 40mm --film-back 24.89x14mm \
  -o lens.json --report lens.html --quiet
trueplate stmap lens.json --undistort undistort.exr --redistort redistort.exr --quiet
# TIFF goes through the module of pictures.
trueplate undistort lens.json 'demo/plover-25/plate.####.exr' -o 'straight.####.tif' --quiet
for file in lens.json lens.html undistort.exr redistort.exr straight.1001.tif; do
  [ -s $file ] || { echo "no $file" >&2; exit 1; }
done
grep -q "\"$version\"" lens.json
# A program of one's own, by pkg-config.
g++ -std=c++20 $(pkg-config --cflags trueplate) "$consumer" -o consumer $(pkg-config --libs trueplate)
./consumer
[ "$(pkg-config --modversion trueplate)" = "$version" ]
echo "the job is done"
JOB

overlay() {
  mkdir -p "$work/overlay" && mount -t tmpfs overlay "$work/overlay" &&
    mkdir "$work/overlay"/{upper,work,system} &&
    mount -t overlay overlay -o "lowerdir=/,upperdir=$work/overlay/upper,workdir=$work/overlay/work" "$work/overlay/system"
}
export -f overlay fail
export work program development version source
if [ "$(id -u)" -eq 0 ] && unshare -m bash -c overlay 2> /dev/null; then
  unshare -m bash -euc '
    overlay
    system=$work/overlay/system
    cp "$program" "$development" "$work/job.sh" "$source/tests/consumer/consumer.cpp" "$system/tmp/"
    mount --bind /dev "$system/dev"
    mount --bind /proc "$system/proc"
    chroot "$system" bash -c "cd /tmp && dpkg -i $(basename "$program") $(basename "$development")" > "$work/dpkg.log" 2>&1 ||
      { cat "$work/dpkg.log"; fail "dpkg does not install them"; }
    chroot "$system" env -i PATH=/usr/sbin:/usr/bin:/sbin:/bin bash /tmp/job.sh "$version" /tmp/consumer.cpp
    # A module that is missing is named, with what it is for.
    chroot "$system" bash -c "find /usr/lib -name trueplate_pictures.so -delete; cd /tmp;
      printf \"\\211PNG\\r\\n\\032\\n--------\" > a.png; trueplate detect a.png --chart dots --pitch 1mm -o a.csv 2> said || true
      grep -q \"trueplate_pictures.so, what reads and writes DPX, TIFF, PNG and JPEG, cannot be loaded\" said" ||
      fail "a missing module is not told"
    chroot "$system" dpkg -r libtrueplate-dev trueplate > "$work/dpkg.log" 2>&1
    [ ! -e "$system/usr/bin/trueplate" ] || fail "dpkg -r leaves the program behind"'
  echo "installed by dpkg on a copy of this system, used and removed"
else
  dpkg-deb -x "$program" "$work/unpacked"
  dpkg-deb -x "$development" "$work/unpacked"
  PATH="$work/unpacked/usr/bin:$PATH" PKG_CONFIG_PATH=$(dirname "$(find "$work/unpacked/usr/lib" -name trueplate.pc)") \
    bash "$work/job.sh" "$version" "$source/tests/consumer/consumer.cpp"
  echo "unpacked into a folder and used there; as root it would have been installed"
fi
