"""What charting costs, and how good a gap is that was clicked in a video.

    python tests/studies/charting.py cost
    python tests/studies/charting.py gap

``cost`` charts sixty shots at each level and counts clicks and keys; the tests press the same in
a real browser. ``gap`` scatters clicks on a video's floor around places that are known.

The camera is a pinhole behind a court, written apart from the program. Right-handed world: x to
the right, y from the front wall to the back, and z *down*, metres.
"""

from __future__ import annotations

import argparse
import csv
import subprocess
import tempfile
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
from records import record

from sidewall.charting.chart import Chart
from sidewall.charting.hand import derived_choice
from sidewall.charting.keys import words_of_keys
from sidewall.charting.store import Store
from sidewall.court import Court
from sidewall.court.court import court_lines
from sidewall.court.floor import CLICK_PX, FloorView, known_points


@dataclass(frozen=True)
class Camera:
    """Stands at ``at`` (x, y, height) and looks at the floor point ``toward`` (x, y)."""

    at: tuple[float, float, float] = (3.6, 14.5, 4.2)
    toward: tuple[float, float] = (3.2, 4.6)
    focal_px: float = 1150.0
    frame: tuple[int, int] = (1280, 720)

    @property
    def axes(self):
        """Rows: right, down and forward of the picture in the world."""
        forward = np.array([*self.toward, 0.0]) - np.array([*self.at[:2], -self.at[2]])
        forward /= np.linalg.norm(forward)
        right = np.cross([0.0, 0.0, 1.0], forward)  # z is down
        right /= np.linalg.norm(right)
        return np.array([right, np.cross(forward, right), forward])

    def pixel(self, x, y, height=0.0):
        """Where a point shows."""
        world = np.array([x, y, -height]) - np.array([*self.at[:2], -self.at[2]])
        right, down, forward = self.axes @ world
        return (
            self.frame[0] / 2 + self.focal_px * right / forward,
            self.frame[1] / 2 + self.focal_px * down / forward,
        )

    def picture(self, balls=(), court=None):
        """The rendered court, with a ball of 4 cm on the floor at each place; uint8 (h, w, 3)."""
        court = court or Court()
        width, height = self.frame
        u, v = np.meshgrid(np.arange(width) + 0.5, np.arange(height) + 0.5)
        rays = (
            np.stack(
                [
                    (u - width / 2) / self.focal_px,
                    (v - height / 2) / self.focal_px,
                    np.ones_like(u),
                ],
                axis=-1,
            )
            @ self.axes
        )
        shown = np.full((height, width, 3), 236, dtype=np.uint8)
        with np.errstate(divide="ignore", invalid="ignore"):
            far = self.at[2] / rays[..., 2]
            x = self.at[0] + far * rays[..., 0]
            y = self.at[1] + far * rays[..., 1]
            floor = (far > 0) & (x >= 0) & (x <= court.width_m) & (y >= 0) & (y <= court.length_m)
            # The front wall stands at y = 0.
            reach = -self.at[1] / rays[..., 1]
            wall_x = self.at[0] + reach * rays[..., 0]
            wall_z = self.at[2] - reach * rays[..., 2]
        front = (reach > 0) & (wall_x >= 0) & (wall_x <= court.width_m) & (wall_z >= 0) & ~floor
        shown[front] = (248, 248, 244)
        shown[front & (wall_z < court.tin_height_m)] = (150, 60, 50)
        for low in (court.service_line_m, court.front_wall_line_m):
            shown[front & (wall_z > low) & (wall_z < low + court.line_width_m)] = (190, 40, 40)
        shown[floor] = (222, 190, 148)
        for line in court_lines(court).values():
            painted = (x > line.x_min) & (x < line.x_max) & (y > line.y_min) & (y < line.y_max)
            shown[floor & painted] = (190, 40, 40)
        for ball_x, ball_y in balls:
            shown[floor & (np.hypot(x - ball_x, y - ball_y) < 0.06)] = (20, 20, 20)
        return shown


def film(camera, path, places, seconds_each=1.0):
    """Write a WebM of stills, each with one ball; the last stays as long as the others."""
    width, height = camera.frame
    command = [
        *("ffmpeg", "-y", "-loglevel", "error", "-f", "rawvideo", "-pix_fmt", "rgb24"),
        *("-s", f"{width}x{height}", "-framerate", str(1 / seconds_each), "-i", "-"),
        *("-r", "25", "-c:v", "libvpx", "-deadline", "realtime", "-cpu-used", "8"),
        *("-b:v", "4M", "-g", "25", str(path)),
    ]
    frames = b"".join(camera.picture([place]).tobytes() for place in places)
    subprocess.run(command, input=frames, check=True, capture_output=True)


FIELDS = (
    *("x", "y", "side", "stroke", "direction", "contact", "choice", "balance"),
    *("opponent_x", "opponent_y", "bounce_x", "bounce_y", "wall_z", "ending"),
)
#: The first sixty shots of a simulated match, as they were when this was written.
SHOTS = """
5.1,6.35,forehand,serve,,,,,1.42,7.81,,,2.77,
0.06,5.63,backhand,drive,straight,volley,reset,set,3.78,4.96,1.36,4.52,1.16,
1.38,5.27,backhand,kill,cross,after_bounce,attack,set,2.4,5.11,,,0.94,
6.06,4.99,forehand,drive,cross,volley,reset,set,3.17,4.91,1.33,6.96,1.61,
0.78,7.93,backhand,drop,straight,after_bounce,attack,set,4.25,5.38,0.43,1.81,0.92,winner
1,5.6,forehand,serve,,,,,5.13,7.51,5.08,7.37,3.21,
5.46,8.51,forehand,drop,cross,after_bounce,attack,set,2.73,5.58,0.35,1.49,0.77,let
5.26,6.69,forehand,serve,,,,,1.16,7.7,3.1,5.55,2.7,
2.5,5.11,backhand,drop,cross,after_bounce,attack,set,4.21,6.03,5.86,1.62,0.87,winner
5.47,6.06,forehand,serve,,,,,1.37,7.19,0.94,7.15,2.84,
0.5,8.04,backhand,drive,straight,after_bounce,reset,set,4.01,5.12,0.14,0.26,1.44,
0.1,1.01,backhand,lob,cross,after_bounce,reset,set,1.87,6.4,6.1,8.03,2.96,
6.18,7.4,forehand,drive,cross,off_back_wall,reset,set,2.74,4.21,,,1.66,
0.18,5.21,backhand,lob,straight,volley,reset,set,4.08,5.51,0.22,8.16,3.42,
0.18,7.74,backhand,drive,straight,off_back_wall,reset,set,2.24,5.23,0.12,7.57,1.65,
0.1,8.46,backhand,drive,cross,after_bounce,reset,set,2.62,5.05,5.95,7.68,1.66,
6.06,8.18,forehand,drive,straight,off_back_wall,reset,set,1.95,5.68,,,1.47,
6.18,5.59,forehand,drive,straight,volley,reset,set,3.87,6.02,6.3,7.32,1.86,
6.32,8.54,forehand,drive,cross,after_bounce,reset,set,4.37,5.09,0.67,6.57,1.94,
0.2,7.43,backhand,drive,straight,after_bounce,reset,set,4.23,6.06,0.61,8.41,2.4,
0.76,7.76,backhand,drop,straight,off_back_wall,attack,set,2.56,6.86,0.4,5.17,0.78,
0.46,6.04,backhand,drive,straight,after_bounce,reset,stretched,2.39,6.35,0.3,7.37,1.19,
0.28,8.42,backhand,drive,straight,after_bounce,reset,stretched,2.52,4.73,,,2.32,
0.14,5.21,backhand,drive,straight,volley,reset,set,3.2,5.62,0.21,8.31,1.49,
0.16,8.05,backhand,drive,straight,off_back_wall,reset,set,2.05,5.53,,,1,
0.38,6.63,backhand,lob,straight,volley,reset,set,2.99,5.47,,,3.8,
0.12,8.51,backhand,drive,straight,volley,reset,set,2.76,5.56,,,1.17,
0.24,6.02,backhand,drive,straight,volley,reset,set,2.77,6.03,0.35,6.08,2.4,
0.24,6.72,backhand,drive,straight,after_bounce,reset,set,2.83,5.62,,,,down
1.1,6.26,forehand,serve,,,,,5.04,7.62,,,3.09,
6.04,7.69,forehand,drop,cross,volley,attack,set,2.57,5.85,,,0.7,
0.18,5.93,backhand,drive,straight,volley,reset,jammed,4.28,6.38,0.28,7.7,2.39,
0.24,8.38,backhand,lob,straight,after_bounce,reset,set,3.25,5.45,0.27,8.08,4.03,
0.22,8.79,backhand,drive,straight,off_back_wall,reset,stretched,2.63,6.36,1.01,7.59,1.46,
0.94,8.26,backhand,drive,straight,after_bounce,reset,set,2.84,6.35,0.39,5.28,1.13,
0.32,6.24,backhand,drive,cross,after_bounce,reset,set,1.78,6.93,5.74,5.59,1.48,
6.14,6.53,forehand,drive,cross,after_bounce,reset,set,2.2,5.28,0.42,5.78,1.19,
0.04,7.46,backhand,drive,cross,after_bounce,reset,set,4.24,6.32,,,1.73,winner
0.87,5.58,backhand,serve,,,,,5,7.71,5.62,7.1,2.62,
5.76,8.26,forehand,drive,cross,after_bounce,reset,set,2.14,5.18,,,1.53,
0.08,5.59,backhand,lob,straight,volley,reset,jammed,3.5,6.71,0.18,6.96,3.17,
0.16,8.38,backhand,lob,straight,after_bounce,reset,set,2.48,5.06,,,3.46,
0.3,7.89,backhand,drive,straight,volley,reset,set,2.37,6.42,0.28,7.09,1.98,
0.24,8.04,backhand,drive,cross,after_bounce,reset,stretched,2.63,5.43,,,1.27,
6.3,5.98,forehand,drive,straight,volley,reset,jammed,2.38,6.21,,,1.55,
6.24,6.07,forehand,drive,straight,volley,reset,stretched,4.05,5.52,5.91,2.1,1.31,
6.02,2.86,forehand,drive,straight,after_bounce,reset,set,3.95,4.71,6.01,5.49,1.81,
6.08,6.68,forehand,drive,cross,after_bounce,reset,set,3.09,4.38,0.5,6.91,2.85,
0.44,8.35,backhand,drive,straight,after_bounce,reset,set,3.89,6.94,0.41,4.07,1.52,
0.28,4.97,backhand,lob,straight,after_bounce,reset,set,2.34,5.31,0.09,6.24,3.5,
0.08,7.65,backhand,lob,straight,after_bounce,reset,set,2.35,5.72,0.45,8.02,3.25,
0.36,8.7,backhand,drive,cross,after_bounce,reset,stretched,2,6.9,5.14,6.76,1.69,
5.48,7.84,forehand,boast,,after_bounce,attack,set,2.46,5.58,0.49,1.33,0.9,
0.26,2.07,backhand,drive,straight,after_bounce,reset,stretched,3.57,6.49,0.94,7.74,1.94,
0.74,8.73,backhand,drive,straight,after_bounce,reset,set,2.5,4.7,0.53,7.42,1.77,
0.44,8.03,backhand,drop,cross,after_bounce,attack,set,2.53,6.09,6.15,2.71,0.95,winner
1.02,6.67,forehand,serve,,,,,5.14,7.53,,,2.82,
6.06,6.79,forehand,drive,cross,volley,reset,set,3.27,6.9,0.25,6.72,1.05,
0.16,7.65,backhand,drive,straight,after_bounce,reset,set,4.59,5.71,0.39,7.96,1.42,
0.42,8.74,backhand,drive,straight,off_back_wall,reset,set,2.83,5.98,0.25,6.43,1.75,
"""
MATCH = {
    "match": "Rowan v Cedar",
    "players": ("Rowan", "Cedar"),
    "hands": {"Rowan": "right", "Cedar": "right"},
}
#: Assumptions, from the keystroke-level model (Card, Moran & Newell 1980, Communications of the
#: ACM 23:396-410, values from memory): pointing and pressing a button, pressing a key, and
#: making up one's mind, once a shot.
SECONDS_A_CLICK, SECONDS_A_KEY, SECONDS_OF_THOUGHT = 1.3, 0.28, 1.35
#: The mean of the simulated matches, rounded.
SHOTS_A_MATCH = 860
#: Assumed borders of the gap in words, metres.
TIGHT_M, LOOSE_M = 0.2, 0.5
PLANS = (("short", None), ("usual", None), ("full", None), ("usual", "Rowan"))


@dataclass(frozen=True)
class Press:
    """One click or key. ``how`` is left, right, wall, pad or key."""

    how: str
    x: float = 0.0
    y: float = 0.0
    #: The key as a browser names it, or the words of the pad.
    what: str = ""


def script():
    """Return the shots as dictionaries; numbers where there is a number, None where blank."""
    shots = []
    for cells in csv.reader(SHOTS.strip().splitlines()):
        shot = dict(zip(FIELDS, cells, strict=True))
        for name in FIELDS:
            if name in ("x", "y") or name.endswith(("_x", "_y", "_z")):
                shot[name] = float(shot[name]) if shot[name] else None
        shots.append({name: value if value != "" else None for name, value in shot.items()})
    return shots


class Charter:
    """Charts the script with as few clicks and keys as the tool allows, and keeps them."""

    def __init__(self, chart):
        self.chart, self.presses, self.seconds = chart, [], 0.0
        self.key_of = {(key.group, key.value): key.key for key in words_of_keys()}

    def press(self, press, **action):
        self.presses.append(press)
        self.chart.act({"t": self.seconds, **action})

    def key(self, column, word):
        self.press(
            Press("key", what=self.key_of[column, word]), do="word", column=column, value=word
        )

    def click(self, x, y, volley=False):
        how = "right" if volley else "left"
        self.press(Press(how, x, y), do="place", x=x, y=y, volley=volley)

    def agree(self, shot, *columns):
        """Key what the tool does not take for granted."""
        for column in columns:
            if shot[column] is not None and self.chart.shown().get(column) != shot[column]:
                self.key(column, shot[column])

    def shot(self, shot, following):
        self.seconds += 1.2
        table = self.chart.table
        striker = table.next.striker
        if self.chart.hand.fields:  # the shot before is still in hand
            striker = table.setup.other(striker)
        short = table.is_short(striker)
        if short:
            self.short_row(shot)
        else:
            self.full_row(shot, following)
        if shot["ending"] is not None:
            self.key("ending", shot["ending"])

    def short_row(self, shot):
        if shot["stroke"] == "serve":
            if shot["ending"] is None:
                self.press(Press("key", what="enter"), do="commit")
            return
        gap = min(shot["x"], 6.4 - shot["x"])
        word = "tight" if gap <= TIGHT_M else "loose" if gap > LOOSE_M else "middling"
        press = Press("pad", what=f"{word} {shot['choice']}")
        self.press(press, do="row", gap_class=word, choice=shot["choice"])

    def full_row(self, shot, following):
        chart = self.chart
        self.click(shot["x"], shot["y"], volley=shot["contact"] == "volley")
        if shot["stroke"] == "serve":
            self.agree(shot, "side")
            return
        level = chart.table.level
        self.agree(shot, "stroke", "contact", "side")
        if shot["choice"] != derived_choice(chart.shown()):
            self.key("choice", shot["choice"])
        if level == "short":
            return
        self.agree(shot, "balance")
        self.click(shot["opponent_x"], shot["opponent_y"])
        if level != "full":
            return
        if shot["wall_z"] is not None:
            self.press(Press("wall", y=shot["wall_z"]), do="wall", z=shot["wall_z"])
        if shot["bounce_x"] is not None:
            self.click(shot["bounce_x"], shot["bounce_y"])
        elif shot["ending"] is None and not (following and following["contact"] == "volley"):
            self.press(Press("key", what="enter"), do="commit")
        self.agree(shot, "direction")


def charted(folder, level, in_full=None, first=None, charter=Charter):
    """Chart the script or its first shots; return the charter and the log's path."""
    path = Path(folder) / f"{level}-{in_full}.csv"
    chart = Chart(Store(path, MATCH))
    names = list(MATCH["players"]) if in_full is None else [in_full]
    chart.act({"do": "settings", "level": level, "in_full": names})
    charter, shots = charter(chart), script()[:first]
    for shot, following in zip(shots, [*shots[1:], None], strict=True):
        charter.shot(shot, following)
    if chart.hand.fields:  # the script stops within a rally; its next click is not counted
        chart.act({"do": "commit"})
    return charter, path


def minutes(clicks_a_shot, keys_a_shot):
    """Minutes that a match takes under the assumptions."""
    seconds = SECONDS_A_CLICK * clicks_a_shot + SECONDS_A_KEY * keys_a_shot + SECONDS_OF_THOUGHT
    return SHOTS_A_MATCH * seconds / 60


def cost():
    """Clicks and keys a shot under each plan, and the minutes of a match."""
    rows = []
    with tempfile.TemporaryDirectory() as folder:
        for level, in_full in PLANS:
            presses = charted(folder, level, in_full)[0].presses
            clicks = sum(press.how != "key" for press in presses) / len(script())
            keys = len(presses) / len(script()) - clicks
            took = minutes(clicks, keys)
            rows.append((level, in_full or "both", clicks, keys, clicks + keys, took))
    names = ["level", "in_full", "clicks_a_shot", "keys_a_shot", "both", "minutes"]
    return pd.DataFrame(rows, columns=names)


def gap(runs=2000, seed=4):
    """Error of a gap clicked in the video, cm: what was made, and what the tool said of it."""
    rng, camera, court = np.random.default_rng(seed), Camera(), Court()
    known = list(known_points(court).items())[:4]
    rows = []
    for closer in (1, 3):
        # Pixels of the frame in a pixel of the screen, where the video is 730 pixels wide.
        px = CLICK_PX * camera.frame[0] / 730 / closer
        for depth, y in (("front", 1.5), ("middle", 5.0), ("back", 8.5)):
            errors, said = [], []
            for run in range(runs):
                x = (0.4, 6.0)[run % 2]
                points = []
                for name, place in known:
                    u, v = np.array(camera.pixel(*place)) + rng.normal(0, px, 2)
                    points.append({"name": name, "u": u, "v": v, "px": px})
                view = FloorView(points, camera.frame, court)
                u, v = np.array(camera.pixel(x, y)) + rng.normal(0, px, 2)
                errors.append(100 * abs(view.place(u, v)[0] - x))
                if run < 40:
                    said.append(196 * view.error_m(u, v, px)[0])
            rows.append((closer, depth, np.quantile(errors, 0.95), np.mean(said)))
    return pd.DataFrame(rows, columns=["closer", "depth", "within_95_cm", "said_95_cm"])


def main():
    ask = argparse.ArgumentParser(description=__doc__.split("\n", maxsplit=1)[0])
    ask.add_argument("what", choices=["cost", "gap"])
    if ask.parse_args().what == "gap":
        record("charting_gap", gap(), seed=4)
        return
    about = (
        f"Counted over {len(script())} shots. Assumed: {SHOTS_A_MATCH} shots a match, "
        f"{SECONDS_A_CLICK} s a click, {SECONDS_A_KEY} s a key, {SECONDS_OF_THOUGHT} s of thought "
        "a shot."
    )
    record("charting_cost", cost(), seed=None, about=about)


if __name__ == "__main__":
    main()
