#include "cli/help/pages.h"

#include <algorithm>

namespace trueplate::cli {
namespace {

constexpr std::array kPages{
    HelpPage{
        "chart",
        "Draws a chart to print, or to show on a screen, at true size, and writes its description, "
        "which detect and calibrate read, so that nobody has to type pitch and size again. Print "
        "it at "
        "100 %, then measure the two scale bars: the printer's own scale decides over the focal "
        "length.",
        {{{"chart --kind checkerboard --pitch 40mm --grid 14x9 --sheet A1 -o chart.pdf",
           "a board for a large-format printer; chart.json describes it"},
          {"chart --kind coded --pitch 25mm --tile A4 --grid 20x13 -o wall.pdf",
           "a larger one on A4 sheets to join; its markers may run off the frame"},
          {"chart --kind dots --pitch 50px --screen 1920x1080 --pixel-pitch 0.3mm -o screen.png",
           "for a screen whose pixels are 0.3 mm"}}},
        "",
        "docs/chart-format.md"},
    HelpPage{
        "demo",
        "Writes an invented shot to try everything on: chart footage through a spherical and an "
        "anamorphic lens that are known exactly, a plate, and the CG render that belongs on it.",
        {{{"demo -o demo", "full size: about 100 MB, and a minute on two cores"},
          {"demo --scale 0.25 -o small", "a quick look: 8 MB, and some seconds"}}},
        "",
        "docs/command-line.md"},
    HelpPage{
        "detect",
        "Finds the chart in every frame, measures its points to a fraction of a pixel and writes "
        "them with their uncertainty. calibrate does this by itself; detect is for looking at what "
        "was found, and for fitting the same points several times.",
        {{{"detect 'demo/plover-25/chart.####.exr' --chart checkerboard --pitch 40mm --grid 14x9 "
           "-o corners.csv",
           "every frame of a sequence; quotes keep the shell away from ####"},
          {"detect 'demo/plover-25/chart.####.exr' --chart chart.json --frames 1001-1004 "
           "--draw found -o some.csv",
           "four frames, and pictures of what was found"}}},
        "",
        "docs/chart-format.md"},
    HelpPage{
        "calibrate",
        "Fits the lens to frames of a chart, or to points that detect measured, and writes its "
        "profile. All models are tried and the one that follows the lens best without following "
        "the noise is "
        "taken; how far the result may be off is said in pixels of the plate. Only the chart's "
        "pitch "
        "has to be known. 10 to 20 frames with the chart tilted several ways and reaching every "
        "corner of the frame are usual.",
        {{{"calibrate 'demo/plover-25/chart.####.exr' --chart checkerboard --pitch 40mm --grid "
           "14x9 "
           "--film-back 24.89x14mm --lens plover-25 -o lens.json --report lens.html",
           "from frames, with a page to look at"},
          {"calibrate corners.csv --model radial-tangential -o simple.json",
           "measured points again, with one model"},
          {"calibrate --clip near.csv,focal=25mm,focus=1m --clip far.csv,focal=25mm,focus=4m "
           "--film-back 24.89x14mm -o pull.json",
           "a focus pull: one clip for each focus distance"}}},
        "",
        "docs/lens-models.md, docs/report.md, docs/accuracy.md"},
    HelpPage{
        "info",
        "Tells in words what a profile holds: the lens, how it was measured, how far it may be "
        "off, every warning. --json gives the profile as it is.",
        {{{"info lens.json", ""}}},
        "",
        "docs/profile-format.md"},
    HelpPage{
        "gather",
        "Puts calibrations of one lens at several focal lengths, focus distances and T-stops "
        "into one profile, whose lens between them is interpolated, and says for each how well "
        "the others predict it.",
        {{{"gather near.json far.json -o pull.json", "two focus distances of a prime lens"}}},
        "",
        "docs/zoom.md"},
    HelpPage{
        "state",
        "Writes the lens at one focal length and focus distance of a zoom or a focus pull as a "
        "profile of its own, for all that works with a single lens. Commands that take a "
        "profile take --focal and --focus as well.",
        {{{"state pull.json --focus 2m -o lens_2m.json", "between two stations"}}},
        "",
        "docs/zoom.md"},
    HelpPage{"handoff",
             "Tells the numbers that matchmove, render and comp need beside the maps: size and "
             "overscan of the straight plate, its film back, field of view and principal point, so "
             "that the CG camera sees what the straight plate shows.",
             {{{"handoff lens.json", ""},
               {"handoff lens.json --overscan 10% --json handoff.json",
                "with 10 % on each side, for a pipeline"}}},
             "",
             "docs/hand-off.md"},
    HelpPage{
        "stmap",
        "Writes the lens as ST-maps: pictures whose R and G say for each pixel where to look, 0 to "
        "1 "
        "over the frame. The undistort map straightens plates, the redistort map bends renders "
        "back; every compositing package has a node that follows them.",
        {{{"stmap lens.json --undistort undistort.exr --redistort redistort.exr", "both maps"},
          {"stmap lens.json --redistort half.exr --size 960x540", "for a proxy"},
          {"stmap pull.json --focus 1.5m --undistort near.exr", "at one focus distance"}}},
        "",
        "docs/st-map.md"},
    HelpPage{
        "undistort",
        "Straightens plates through the lens itself, no map between. The straight picture is "
        "larger than the plate, so that nothing of it is lost (--overscan); EXR keeps the "
        "frame's own place in it as display window. Data passes such as depth or motion are looked "
        "up by "
        "rules of their own.",
        {{{"undistort lens.json 'demo/plover-25/plate.####.exr' -o 'straight.####.exr'", "a plate"},
          {"undistort lens.json 'demo/plover-25/plate.####.exr' -o 'same.####.exr' "
           "--overscan none --filter lanczos",
           "cut to the plate's own size, sharper filter"}}},
        "",
        "docs/sequences.md, docs/passes.md"},
    HelpPage{
        "redistort",
        "Bends straight renders back, so that they lie on the plate as it was shot. Renders are "
        "expected at the size and overscan of the straight plate, as handoff tells it.",
        {{{"redistort lens.json 'demo/plover-25/cg.####.exr' -o 'bent.####.exr'", "CG"},
          {"redistort lens.json 'demo/plover-25/cg.####.exr' -o 'data.####.exr' "
           "--pass 'Z=nearest'",
           "depth is looked up, never mixed"}}},
        "",
        "docs/sequences.md, docs/passes.md, docs/hand-off.md"},
    HelpPage{
        "apply",
        "Moves pictures through an ST-map of any origin, this program's or another's, with the "
        "filters and rules for data passes that undistort has.",
        {{{"apply undistort.exr 'demo/plover-25/plate.####.exr' -o 'moved.####.exr'", ""}}},
        "",
        "docs/st-map.md, docs/passes.md"},
    HelpPage{
        "convert",
        "Makes a profile of an ST-map, with the model that follows it best, and carries lenses "
        "to and from open formats. What a format cannot hold is fitted in its form, and how "
        "far that misses the lens is said.",
        {{{"convert undistort.exr from_map.json --direction undistort", "a map becomes a profile"},
          {"convert simple.json simple.yml", "to the format its name tells"}}},
        "",
        "docs/exchange.md"},
    HelpPage{
        "reformat",
        "Makes an ST-map fit another size of the same picture, or a part of it: proxies, crops.",
        {{{"reformat undistort.exr --size 960x540 -o proxy.exr", "a proxy"}}},
        "",
        "docs/st-map.md"},
    HelpPage{"invert",
             "Writes the ST-map that undoes another. Where two places of the one look at the same "
             "point, and beyond what it looks at, the inverse has no source.",
             {{{"invert undistort.exr -o back.exr", ""}}},
             "",
             "docs/st-map.md"},
    HelpPage{"compare",
             "Says whether two profiles, or two ST-maps, differ: how many pixels over the frame, "
             "what of it a camera solve would take up, and, of profiles, whether it is more than "
             "their uncertainties explain.",
             {{{"compare lens.json simple.json", "two lenses"},
               {"compare redistort.exr back.exr --check", "two maps, the answer as exit status"}}},
             "With --check also 4 (changed) and 5 (too uncertain to say).",
             "docs/compare.md"},
    HelpPage{"lines",
             "Fits the lens to edges of a plate that are straight in the world: buildings, window "
             "frames, door posts. For when nobody shot a chart; it finds distortion, and "
             "believes the focal length you give.",
             {{{"lines 'plate.####.exr' -o lens.json --draw found",
                "and pictures of the lines it believes in: look at them"}}},
             "",
             "docs/lens-from-lines.md"},
    HelpPage{
        "points",
        "Moves 2D points and tracks of a CSV file from the plate to the straight picture "
        "(--undistort) or back (--redistort), or turns them into rays. Further columns stay as "
        "they are.",
        {{{"points lens.json tracks.csv --undistort -o straight.csv", ""},
          {"points lens.json straight.csv --redistort -o tracks_again.csv", "and back"}}},
        "",
        "docs/exchange.md"},
    HelpPage{"solve",
             "Solves the camera of 2D tracks with and without the lens, as a trial before the real "
             "solve: is this the right profile, and what does it change? --camera and --usd write "
             "the camera and its points.",
             {{{"solve tracks.csv --lens lens.json --usd trial.usda", "with the shot's lens"},
               {"solve tracks.csv --focal 25mm --film-back 24.89x14mm --size 1920x1080",
                "without one"}}},
             "",
             "docs/solve.md"},
    HelpPage{
        "report",
        "Writes a page to look at (.html) that says what a lens is worth: a verdict, a plate "
        "before "
        "and after, residuals, coverage, expected error, every frame. Or a sheet to print (.pdf) "
        "with distortion over image height.",
        {{{"report lens.json --observations corners.csv -o lens.html", ""},
          {"report lens.json -o sheet.pdf", "a lens sheet for the camera department"}}},
        "",
        "docs/report.md, docs/lens-sheet.md"},
    HelpPage{"archive",
             "Keeps the lenses of many shows: profiles with what they were made from, found by "
             "label, focal length or footage, never overwritten and checked against their "
             "checksums. A file, or a PostgreSQL database.",
             {{{"archive add lens.json --archive lenses.archive --maker Lumen --serial A-1001",
                "file a profile"},
               {"archive find --archive lenses.archive plover", "what is there?"}}},
             "",
             "docs/archive.md"},
    HelpPage{
        "archive add",
        "Files profiles, each with its labels. Nothing is overwritten: a newer calibration of "
        "the same lens takes the place of the older one, which stays.",
        {{{"archive add lens.json --archive lenses.archive --maker Lumen --serial A-1001 --note "
           "'after service'",
           ""}}},
        "",
        "docs/archive.md"},
    HelpPage{"archive find",
             "Lists the calibrations that fit what is said of them.",
             {{{"archive find --archive lenses.archive plover", "a word of its labels"}}},
             "",
             "docs/archive.md"},
    HelpPage{"archive show",
             "Tells all that is kept of the one calibration that fits.",
             {{{"archive show --archive lenses.archive plover", ""}}},
             "",
             "docs/archive.md"},
    HelpPage{"archive get",
             "Writes the profile of the one calibration that fits.",
             {{{"archive get --archive lenses.archive plover -o got.json", ""}}},
             "",
             "docs/archive.md"},
    HelpPage{"archive history",
             "Lists every calibration of a lens, also those that newer ones took the place of.",
             {{{"archive history --archive lenses.archive plover", ""}}},
             "",
             "docs/archive.md"},
    HelpPage{"archive export",
             "Writes everything into a folder of plain files, from which an archive can be made "
             "again.",
             {{{"archive export --archive lenses.archive -o everything", ""}}},
             "",
             "docs/archive.md"},
    HelpPage{"archive verify",
             "Reads everything and checks it against its checksums and the chain of records.",
             {{{"archive verify --archive lenses.archive", ""}}},
             "",
             "docs/archive.md"},
};

constexpr std::array kStatuses{
    StatusLine{0, "done"},
    StatusLine{1, "could not be done; the reason is on standard error"},
    StatusLine{2, "wrong command line"},
    StatusLine{3, "done in part: some frames failed, each is named on standard error"},
    StatusLine{130, "interrupted; finished files are whole, others absent"},
};

}  // namespace

std::span<const HelpPage> help_pages() { return kPages; }

const HelpPage* help_page(std::string_view command) {
  const auto* page = std::find_if(kPages.begin(), kPages.end(), [&](const HelpPage& known) {
    return known.command == command;
  });
  return page == kPages.end() ? nullptr : page;
}

std::string_view help_units() {
  return "Lengths carry a unit: 25mm, 1in, 3.5m. Sizes are WIDTHxHEIGHT. A focus distance may be "
         "inf. "
         "FRAMES is a file, a folder, a quoted glob, a pattern such as 'grid.####.exr' or a movie. "
         "Pixels count from the top-left corner of the display window, the centre of the first at "
         "0.5. "
         "Names in the style of FILE stand for your own; words in lower case are typed as they "
         "are.";
}

std::span<const StatusLine> help_statuses() { return kStatuses; }

}  // namespace trueplate::cli
