#!/usr/bin/env python3
"""Draws the line drawings of the documents. `python3 docs/pictures/draw.py FOLDER` writes them there.

Each stands on a light card of its own, so that it reads on a light page and on a dark one. What is good and what is
not is told by words and marks, never by colour alone.
"""
import math
import sys
from pathlib import Path

INK, SOFT, CARD, BOARD, ACCENT = "#23262b", "#5d636c", "#f7f5f0", "#d9d4c8", "#1f5f8b"
COLUMNS, ROWS = 15, 10  # squares of the board in the drawings


class Drawing:
    def __init__(self, width, height, title):
        self.width, self.height, self.title, self.parts = width, height, title, []

    def add(self, part):
        self.parts.append(part)

    def line(self, points, stroke=INK, width=1.6, dash="", close=False, fill="none"):
        path = " ".join(f"{x:.1f},{y:.1f}" for x, y in points)
        dashes = f' stroke-dasharray="{dash}"' if dash else ""
        self.add(f'<{"polygon" if close else "polyline"} points="{path}" fill="{fill}" stroke="{stroke}"'
                 f' stroke-width="{width}" stroke-linejoin="round" stroke-linecap="round"{dashes}/>')

    def box(self, x, y, w, h, **style):
        self.line([(x, y), (x + w, y), (x + w, y + h), (x, y + h)], close=True, **style)

    def dot(self, x, y, r, fill=INK, stroke="none"):
        self.add(f'<circle cx="{x:.1f}" cy="{y:.1f}" r="{r:.1f}" fill="{fill}" stroke="{stroke}" stroke-width="1.4"/>')

    def text(self, x, y, words, size=14, anchor="start", fill=INK, weight="normal"):
        words = words.replace("&", "&amp;").replace("<", "&lt;")
        self.add(f'<text x="{x:.1f}" y="{y:.1f}" font-size="{size}" text-anchor="{anchor}" fill="{fill}"'
                 f' font-weight="{weight}">{words}</text>')

    def arrow(self, start, end, stroke=INK, width=1.6, both=False):
        self.line([start, end], stroke, width)
        for tip, tail in ((end, start), (start, end))[: 2 if both else 1]:
            angle = math.atan2(tip[1] - tail[1], tip[0] - tail[0])
            wings = [(tip[0] - 9 * math.cos(angle + a), tip[1] - 9 * math.sin(angle + a)) for a in (0.42, -0.42)]
            self.line([wings[0], tip, wings[1]], stroke, width, close=True, fill=stroke)

    def svg(self):
        return "\n".join([
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {self.width} {self.height}" width="{self.width}"'
            f' height="{self.height}" font-family="DejaVu Sans, Helvetica, Arial, sans-serif" role="img">',
            f"<title>{self.title}</title>",
            f'<rect width="{self.width}" height="{self.height}" rx="10" fill="{CARD}"/>', *self.parts, "</svg>", ""])


class Camera:
    """A pinhole that looks at a board of COLUMNS x ROWS squares; its frame is 16 x 9 and as wide as it is far."""

    def __init__(self, turn=0.0, tip=0.0, roll=0.0, right=0.0, down=0.0, distance=1.0):
        self.turn, self.tip, self.roll = (math.radians(a) for a in (turn, tip, roll))
        self.right, self.down, self.distance = right, down, distance

    def place(self, column, row):
        """Where a corner of a square is imaged, in frame widths from the frame's middle."""
        x, y, z = (column - COLUMNS / 2) / COLUMNS, (row - ROWS / 2) / COLUMNS, 0.0
        x, y = x * math.cos(self.roll) - y * math.sin(self.roll), x * math.sin(self.roll) + y * math.cos(self.roll)
        y, z = y * math.cos(self.tip) - z * math.sin(self.tip), y * math.sin(self.tip) + z * math.cos(self.tip)
        x, z = x * math.cos(self.turn) + z * math.sin(self.turn), -x * math.sin(self.turn) + z * math.cos(self.turn)
        depth = z + self.distance
        return self.right + 0.9 * x / depth, self.down + 0.9 * y / depth


def viewfinder(drawing, x, y, width, camera, name, clip_id):
    """A frame as the viewfinder shows it."""
    height = width * 9 / 16
    drawing.add(f'<clipPath id="{clip_id}"><rect x="{x}" y="{y}" width="{width}" height="{height}"/></clipPath>')
    drawing.box(x, y, width, height, fill="#ffffff", stroke="none")
    drawing.add(f'<g clip-path="url(#{clip_id})">')

    def at(column, row):
        u, v = camera.place(column, row)
        return x + width * (0.5 + u), y + height / 2 + width * v

    drawing.line([at(0, 0), at(COLUMNS, 0), at(COLUMNS, ROWS), at(0, ROWS)], close=True, width=1)
    for row in range(ROWS):
        for column in range(row % 2, COLUMNS, 2):
            drawing.line([at(column, row), at(column + 1, row), at(column + 1, row + 1), at(column, row + 1)],
                         close=True, fill=INK, width=0.3)
    drawing.add("</g>")
    drawing.box(x, y, width, height, width=2)
    drawing.text(x + width / 2, y + height + 17, name, 13, "middle")


def poses():
    d = Drawing(760, 560, "Twelve frames of a grid as the viewfinder shows them")
    frames = [
        ("square-on, filling", Camera(distance=0.86)), ("turned left", Camera(turn=-32, distance=0.95)),
        ("turned right", Camera(turn=32, distance=0.95)), ("board rolled 90 deg", Camera(roll=90, distance=1.3)),
        ("tipped back", Camera(tip=32, distance=0.9)), ("tipped forward", Camera(tip=-32, distance=0.9)),
        ("near, off all edges", Camera(turn=20, tip=15, distance=0.66)), ("far", Camera(turn=-25, tip=-20, distance=1.5)),
        ("top left corner", Camera(turn=-25, tip=20, right=-0.22, down=-0.14)),
        ("top right corner", Camera(turn=25, tip=20, right=0.22, down=-0.14)),
        ("bottom left corner", Camera(turn=-25, tip=-20, right=-0.22, down=0.14)),
        ("bottom right corner", Camera(turn=25, tip=-20, right=0.22, down=0.14))]
    d.text(24, 34, "Twelve frames that are enough for one lens state", 17, weight="bold")
    for i, (name, camera) in enumerate(frames):
        viewfinder(d, 24 + (i % 4) * 181, 56 + i // 4 * 132, 168, camera, name, f"pose{i}")
    d.text(24, 472, "Tilts of 20 to 45 degrees tell the focal length; corners filled tell the distortion where it is", 14)
    d.text(24, 492, "largest; a roll tells the principal point. Move the camera or the board, whichever is easier;", 14)
    d.text(24, 512, "hold still for each frame. Focus, zoom and stop stay as they are for all twelve.", 14)
    d.text(24, 540, "The board may run off the frame. Sizes and angles need not be exact.", 13, fill=SOFT)
    return d


def stand(d, x, floor, top):
    """A stand seen from the side, its feet weighed down."""
    d.line([(x, top), (x, floor - 34)], width=3)
    for foot in (-34, 34):
        d.line([(x, floor - 62), (x + foot, floor)], width=2.4)
    d.add(f'<path d="M{x - 26},{floor - 2} q4,-20 26,-18 q22,-2 26,18 z" fill="{BOARD}" stroke="{INK}" stroke-width="1.4"/>')
    d.text(x, floor + 17, "sandbag", 12, "middle", SOFT)


def setup():
    d = Drawing(760, 380, "Camera and board from the side and from above")
    d.text(24, 34, "From the side", 16, weight="bold")
    floor = 306
    d.line([(24, floor), (420, floor)], SOFT, 1.2)
    for leg in (-30, 0, 30):
        d.line([(84, 190), (84 + leg, floor)], width=2.4)
    d.box(58, 162, 52, 28, fill=BOARD)
    d.box(110, 168, 24, 16, fill=CARD)
    stand(d, 370, floor, 120)
    angle = math.radians(24)
    tilted = [(352 + s * 78 * math.sin(angle), 176 + s * 78 * math.cos(angle)) for s in (-1, 1)]
    d.line(tilted, width=7)
    d.line([(352, 86), (352, 266)], SOFT, 1, "4 4")
    d.text(402, 112, "tilt", 13)
    d.text(402, 128, "20-45 deg", 13)
    d.line([(134, 176), (352, 176)], ACCENT, 1.2, "6 4")
    d.arrow((136, 222), (350, 222), ACCENT, both=True)
    d.text(243, 215, "the lens's working distance,", 12.5, "middle")
    d.text(243, 239, "in focus from edge to edge", 12.5, "middle")
    d.line([(121, 168), (121, 92)], SOFT, 1, "4 4")
    d.text(24, 66, "a stated chart distance counts from the entrance", 12.5)
    d.text(24, 82, "pupil, which lies behind the front glass", 12.5)
    d.text(474, 34, "From above", 16, weight="bold")
    d.box(584, 292, 40, 26, fill=BOARD)
    d.box(597, 276, 14, 16, fill=CARD)
    d.line([(604, 276), (490, 96)], SOFT, 1, "4 4")
    d.line([(604, 276), (718, 96)], SOFT, 1, "4 4")
    for turn, dash in ((-30, "5 4"), (0, ""), (30, "5 4")):
        c, s = math.cos(math.radians(turn)), math.sin(math.radians(turn))
        d.line([(604 - 84 * c, 130 - 84 * s), (604 + 84 * c, 130 + 84 * s)], width=5 if not dash else 2.5, dash=dash)
    for side in (-1, 1):
        d.add(f'<circle cx="{604 + side * 136}" cy="230" r="13" fill="none" stroke="{INK}" stroke-width="1.6"/>')
        d.line([(604 + side * 126, 222), (604 + side * 94, 190)], SOFT, 1.2, "3 3")
    d.text(468, 268, "soft light", 12.5)
    d.text(740, 268, "from both sides", 12.5, "end")
    d.text(604, 338, "turn the board or walk the camera round it", 12.5, "middle", SOFT)
    d.text(24, 362, "Heavy boards: two people, weighed-down stands; the set's safety rules come first (common practice).", 12.5,
           fill=SOFT)
    return d


def coverage():
    d = Drawing(760, 300, "Where the points of all frames together should lie")
    for k, (x, words, note, reach) in enumerate(((24, "enough", "points in every corner of the frame", 1.0),
                                                 (396, "not enough", "the corners are a guess: short-reach, poor-coverage",
                                                  0.58))):
        width, height, y = 340, 191, 54
        d.text(x, 36, words, 17, weight="bold")
        d.box(x, y, width, height, fill="#ffffff", width=2)
        for i in range(27):
            for j in range(15):
                u, v = (i - 13) / 13.4, (j - 7) / 7.4
                wobble = math.sin(12.9 * i + 78.2 * j + k) * 43758.5
                wobble -= math.floor(wobble)
                if max(abs(u), abs(v)) < reach and (reach == 1.0 or math.hypot(u, v) < reach + 0.06):
                    d.dot(x + width / 2 * (1 + u) + 5 * wobble - 2.5, y + height / 2 * (1 + v) + 4 * wobble - 2, 2.1)
        if reach < 1.0:
            for cx, cy in ((0, 0), (1, 0), (0, 1), (1, 1)):
                px, py = x + 30 + cx * (width - 60), y + 26 + cy * (height - 52)
                d.text(px, py + 7, "?", 22, "middle", ACCENT, "bold")
        d.text(x, y + height + 24, note, 13)
    d.text(24, 290, "All frames of a lens state laid over each other. Barrel and pincushion are largest in the corners.", 13,
           fill=SOFT)
    return d


def stations():
    d = Drawing(760, 330, "Focus and zoom stations")
    left, top, right, bottom = 120, 60, 560, 250
    d.text(24, 34, "Stations of a zoom: one set of frames at each dot", 17, weight="bold")
    d.arrow((left, bottom), (right + 30, bottom))
    d.arrow((left, bottom), (left, top - 14))
    lengths = (24, 32, 42, 55, 70)
    for mm in lengths:
        x = left + 24 + (right - left - 48) * math.log(mm / 24) / math.log(70 / 24)
        d.text(x, bottom + 20, f"{mm} mm", 13, "middle")
        for y, must in ((top + 16, mm in (24, 42, 70)), (top + 92, mm in (24, 70)), (bottom - 20, mm in (24, 42, 70))):
            d.dot(x, y, 8, INK if must else CARD, INK)
    for y, words in ((top + 16, "near"), (top + 92, "middle"), (bottom - 20, "infinity")):
        d.text(left - 12, y + 5, words, 13, "end")
    d.text(right + 20, bottom + 20, "wide to long", 13, fill=SOFT)
    d.text(590, 92, "filled: at least these", 13)
    d.text(590, 114, "open: better", 13)
    d.text(590, 150, "a prime: the same", 13, fill=SOFT)
    d.text(590, 168, "column of focus", 13, fill=SOFT)
    d.text(590, 186, "distances", 13, fill=SOFT)
    d.text(24, 296, "Spread focal lengths by ratio. Of focus distances take the nearest of the shoot, infinity, and one that", 13)
    d.text(24, 314, "lies half way in 1/distance: between 0.6 m and infinity about 1.2 m.", 13)
    return d


def slate():
    d = Drawing(760, 429, "What to write on the slate of a grid shoot")
    d.box(24, 24, 460, 381, fill="#2b3036", width=2)
    rows = (("LENS", "Plover 25 mm   no. 0042"), ("FOCAL / FOCUS", "25 mm   /   2.4 m"), ("STOP", "T 4"),
            ("BODY / MODE", "Body A   /   3.2K 16:9"), ("FILM BACK", "24.89 x 14.00 mm"),
            ("SQUEEZE", "1   (or 2.0)"), ("CHART", "checkerboard  40 mm, 14 x 9"),
            ("PRINT MEASURES", "x 100.2 %   y 100.1 %"), ("DISTANCE", "2.31 m from sensor mark"),
            ("DATE", "2031-05-04"), ("SET / TAKE", "grid 03 / 1"))
    for i, (label, value) in enumerate(rows):
        y = 58 + i * 33
        d.text(40, y, label, 12, fill="#b9c0c8")
        d.text(170, y, value, 15.5, fill="#ffffff")
        if i:
            d.line([(40, y - 22), (468, y - 22)], "#5a626b", 0.8)
    notes = (("identity", 58), ("the state: a new set", 91), ("for each change", 107), ("what part of the", 157),
             ("sensor made the frame", 173), ("the one thing nobody", 257), ("can tell later", 273),
             ("its scale bars, by a rule", 290), ("square to the camera; say", 323), ("from where to the board", 339))
    for words, y in notes:
        d.text(504, y, words, 13.5)
    return d


def pixels():
    d = Drawing(760, 330, "Plate coordinates")
    x0, y0, cell = 70, 70, 44
    for i in range(5):
        for j in range(4):
            d.box(x0 + i * cell, y0 + j * cell, cell, cell, width=1, stroke=SOFT, fill="#ffffff")
            d.dot(x0 + (i + 0.5) * cell, y0 + (j + 0.5) * cell, 2.2)
    d.arrow((x0, y0), (x0 + 5.6 * cell, y0), ACCENT, 2)
    d.arrow((x0, y0), (x0, y0 + 4.6 * cell), ACCENT, 2)
    d.text(x0 + 5.7 * cell, y0 + 5, "x")
    d.text(x0 - 4, y0 + 5 * cell + 4, "y", anchor="middle")
    d.dot(x0, y0, 4, ACCENT)
    d.text(x0 - 8, y0 - 12, "(0, 0)", 13)
    d.dot(x0 + 2.5 * cell, y0 + 1.5 * cell, 5, ACCENT)
    d.line([(x0 + 2.5 * cell, y0 + 1.5 * cell), (340, 44), (352, 44)], ACCENT, 1.2)
    d.text(358, 49, "centre of pixel column 2, row 1: (2.5, 1.5)", 14)
    d.text(358, 92, "A plate of 1920 x 1080 reaches from (0, 0) to (1920, 1080);", 12.5)
    d.text(358, 110, "its middle is (960, 540), on the border of four pixels.", 12.5)
    d.text(358, 150, "Programs that put centres at whole numbers say", 12.5)
    d.text(358, 168, "(2, 1) for the same place: add 0.5 to x and y.", 12.5)
    d.text(358, 208, "Programs that count y from the bottom:", 12.5)
    d.text(358, 226, "y = 1080 - their y (with the same centres).", 12.5)
    d.text(24, 312, "The corner is that of the display window, also where the picture has overscan.", 13, fill=SOFT)
    return d


def windows():
    d = Drawing(760, 330, "Display window, data window and overscan")
    d.box(40, 40, 416, 234, fill="#ffffff", dash="7 5", width=1.6)
    d.box(92, 70, 312, 175.5, fill=BOARD, width=2)
    d.text(248, 150, "display window", 15, "middle", weight="bold")
    d.text(248, 172, "1920 x 1080, the plate", 13, "middle")
    d.text(48, 60, "data window 2024 x 1140", 13)
    d.dot(92, 70, 4, ACCENT)
    d.text(98, 88, "(0, 0)", 12.5)
    d.dot(40, 40, 4, ACCENT)
    d.text(40, 31, "(-52, -30)", 12.5)
    d.arrow((42, 158), (90, 158), ACCENT, both=True)
    d.text(66, 150, "52", 12.5, "middle")
    d.arrow((248, 247), (248, 273), ACCENT, both=True)
    d.text(256, 265, "30", 12.5)
    d.text(486, 76, "Overscan 52,30,52,30:", 14, weight="bold")
    d.text(486, 96, "left, top, right, bottom", 14)
    d.text(486, 136, "2024 = 52 + 1920 + 52", 13.5)
    d.text(486, 156, "1140 = 30 + 1080 + 30", 13.5)
    d.text(486, 196, "EXR keeps both windows.", 13.5)
    d.text(486, 216, "DPX, TIFF, PNG, JPEG have", 13.5)
    d.text(486, 234, "none: the picture is the", 13.5)
    d.text(486, 252, "whole 2024 x 1140.", 13.5)
    d.text(24, 312, "Figures of the demo's spherical lens.", 13, fill=SOFT)
    return d


def bulged(x, y, w, h, amount):
    """The border of a picture whose sides bulge out (positive) or in."""
    points = []
    for side in range(4):
        for k in range(12):
            s = k / 12
            u, v = ((2 * s - 1, -1), (1, 2 * s - 1), (1 - 2 * s, 1), (-1, 1 - 2 * s))[side]
            grow = 1 - amount * (u * u + v * v - 1)
            points.append((x + w / 2 * (1 + u * grow), y + h / 2 * (1 + v * grow)))
    return points


def directions():
    d = Drawing(760, 350, "Undistort and redistort")
    for x, amount, title in ((60, 0.09, "plate"), (500, 0.0, "straight picture")):
        for inset in (1.0, 0.62, 0.26):
            w, h = 200 * inset, 112 * inset
            d.line(bulged(x + 100 - w / 2, 130 - h / 2, w, h, amount * inset * inset), close=True, width=1.8,
                   fill=BOARD if inset == 1.0 else "none")
        d.text(x + 100, 56, title, 16, "middle", weight="bold")
    d.arrow((288, 108), (478, 108), ACCENT, 2.2)
    d.text(383, 98, "undistort", 15, "middle")
    d.arrow((478, 152), (288, 152), ACCENT, 2.2)
    d.text(383, 172, "redistort", 15, "middle")
    d.text(24, 226, "A map is laid out like the picture that comes out; it says where to look in the one that goes in:", 13.5)
    d.text(40, 252, "undistort map", 13.5, weight="bold")
    d.text(180, 252, "2024 x 1140, one value for each pixel of the straight picture; looks into the plate", 13.5)
    d.text(40, 276, "redistort map", 13.5, weight="bold")
    d.text(180, 276, "1920 x 1080, one value for each pixel of the plate; looks into the straight picture", 13.5)
    d.text(24, 308, "Points go the other way round: to move a point from the plate to the straight picture use `points`,", 13.5)
    d.text(24, 328, "or the redistort map read at that point; not the undistort map.", 13.5)
    return d


def st_origin():
    d = Drawing(760, 320, "The origin of t")
    for x, title, zero_below in ((40, "t from the bottom (default)", True), (420, "t from the top", False)):
        d.text(x, 36, title, 16, weight="bold")
        d.box(x + 20, 60, 256, 144, fill="#ffffff", width=2)
        y0, y1 = (204, 60) if zero_below else (60, 204)
        d.arrow((x + 20, y0), (x + 200, y0), ACCENT, 2)
        d.arrow((x + 20, y0), (x + 20, y0 + (y1 - y0) * 0.75), ACCENT, 2)
        d.text(x + 206, y0 + (18 if zero_below else -8), "s", 15)
        d.text(x + 4, y0 + (y1 - y0) * 0.72, "t", 15)
        d.dot(x + 20 + 256 * 480.5 / 1920, 60 + 144 * 270.5 / 1080, 4.5, ACCENT)
        d.text(x + 20 + 256 * 480.5 / 1920 + 10, 60 + 144 * 270.5 / 1080 + 5,
               "(0.25026, 0.74954)" if zero_below else "(0.25026, 0.25046)", 13)
    d.text(24, 246, "The dot is the centre of pixel column 480, row 270 of a source of 1920 x 1080:", 13.5)
    d.text(24, 270, "s = 480.5 / 1920 = 0.25026;   from the top t = 270.5 / 1080 = 0.25046;   from the bottom 1 - 0.25046 = 0.74954", 12.5)
    d.text(24, 300, "The header says which, and `apply` reads it. The wrong one turns the picture upside down.", 13, fill=SOFT)
    return d


def squeeze():
    d = Drawing(760, 330, "Squeeze and pixel aspect")
    d.text(24, 34, "As recorded", 16, weight="bold")
    d.box(40, 56, 182.8, 155.6, fill="#ffffff", width=2)
    d.add(f'<ellipse cx="131.4" cy="134" rx="34" ry="68" fill="none" stroke="{INK}" stroke-width="2"/>')
    d.text(131, 236, "1828 x 1556 pixels", 13, "middle")
    d.text(300, 34, "As viewed: pixel aspect 2", 16, weight="bold")
    d.box(320, 56, 365.6, 155.6, fill="#ffffff", width=2)
    d.add(f'<circle cx="502.8" cy="134" r="68" fill="none" stroke="{INK}" stroke-width="2"/>')
    d.text(503, 236, "shown 3656 x 1556", 13, "middle")
    d.text(24, 270, "squeeze 2: what the lens does to the picture, engraved on it.   pixel aspect 2: how wide a pixel is shown.", 12.5)
    d.text(24, 292, "Measured, this lens squeezes 1.994: the focal lengths in x and y say so (1802.22 and 3593.78 px). Cameras are", 12.5)
    d.text(24, 310, "set by these, never by the engraved number. Maps and frames stay squeezed; nothing is resampled for viewing.", 12.5)
    return d


DRAWINGS = {"grid_poses": poses, "grid_setup": setup, "grid_coverage": coverage, "grid_stations": stations,
            "grid_slate": slate, "plate_pixels": pixels, "windows": windows, "directions": directions,
            "st_origin": st_origin, "squeeze": squeeze}


def main():
    folder = Path(sys.argv[1]) if len(sys.argv) == 2 else Path(__file__).parent
    for name, draw in DRAWINGS.items():
        (folder / f"{name}.svg").write_text(draw().svg())


if __name__ == "__main__":
    main()
