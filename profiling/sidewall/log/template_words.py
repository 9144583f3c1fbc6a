"""What the template says about every column, with an example."""

from __future__ import annotations

from typing import Final

from sidewall.log.columns import COLUMNS
from sidewall.log.sheet_formulas import DETAIL_COLUMNS, FILLED, LOG_COLUMNS, MATCH_DETAILS
from sidewall.log.vocabulary import HANDS, VOCABULARY

DETAIL_WORDS: Final = {
    "match": "A name of its own for every match. The first match is filled into the log.",
    "player_1": "One of the two players, spelled the same everywhere.",
    "player_2": "The other player.",
    "hand_1": "Hand of player_1.",
    "hand_2": "Hand of player_2.",
    "serves_first": "Who serves the first rally; the log then knows who strikes every shot.",
    "in_full": "Who is charted in full, where only one is; of the other then type gap_class (or "
    "the gap) and choice, and the ending.",
    "date": "Date of the match: 2026-03-31.",
    "tin_height_cm": "Height of the tin.",
    "board_width_cm": "Width of one floorboard; needed where gaps are counted in boards.",
    "scoring": "Scoring of the match, such as par11.",
}
_EXAMPLES: Final = {
    "match": "Rowan v Hazel",
    "game": "1",
    "rally": "4",
    "shot": "3",
    "player": "Rowan",
    "opponent": "Hazel",
    "side": "backhand",
    "stroke": "drop",
    "gap": "35",
    "rally_won_by": "Rowan",
    "ending": "winner",
    "direction": "straight",
    "contact": "volley",
    "choice": "attack",
    "gap_class": "tight",
    "balance": "set",
    "depth": "middle",
    "lane": "left",
    "opponent_place": "behind",
    "bounce": "short",
    "x": "0.7",
    "y": "5.5",
    "bounce_x": "0.3",
    "bounce_y": "8.2",
    "wall_z": "1.6",
    "opponent_x": "3.2",
    "opponent_y": "5.4",
    "t": "12:34",
    "own_points": "7",
    "opponent_points": "9",
    "own_games": "1",
    "opponent_games": "0",
    "hand": "right",
    "group": "first team",
    "initials": "RO",
    "date": "2026-03-31",
    "tin_height": "48",
    "board_width": "7",
    "scoring": "par11",
}
_BY_FORMULA: Final = {
    "match": "as above; the first from match details. Type over it when a new match begins",
    "game": "as above. Type over it when a new game begins",
    "rally": "one more after every ending",
    "shot": "counts by itself; 1 after an ending",
    "player": "the two players in turn; the winner of a rally serves the next, after a let the "
    "same server",
    "rally_won_by": "from the ending. Pick the player after a stroke or a no_let",
    "opponent": "the other player of the match details",
}


def explanations(gap_heading: str = "gap_cm") -> list[tuple[str, str, str, str, str, str]]:
    """Return sheet, heading, who fills it in, meaning, allowed words and an example."""
    rows = []
    for spec in COLUMNS:
        words = HANDS if spec.name == "hand" else VOCABULARY.get(spec.name, ())
        heading = spec.name
        if spec.name == "gap":
            others = [f"gap_{unit}" for unit in ("cm", "in", "m", "boards")]
            heading = f"{gap_heading} (or {', '.join(one for one in others if one != gap_heading)})"
        elif spec.kind == "length":
            plain = f"{spec.name} (in metres), " if spec.metres_assumed else ""
            heading = f"{plain}{spec.name}_cm or {spec.name}_in"
        meaning = spec.meaning
        if spec.name in FILLED:
            filled = "a formula"
            meaning += f"; {_BY_FORMULA[spec.name]}"
        elif spec.required:
            filled = "you"
        else:
            filled = "you, if you like"
        sheet = "log" if spec.name in LOG_COLUMNS else "log, if added"
        rows.append((sheet, heading, filled, meaning, ", ".join(words), _EXAMPLES[spec.name]))
    remark = "what contradicts the row above or is missing still; coloured with the cell at fault"
    rows.append(("log", "remark", "a formula", remark, "", "the same player twice running"))
    for name in DETAIL_COLUMNS:
        hands = ", ".join(HANDS) if name.startswith("hand") else ""
        filled = "you" if name in ("match", "player_1", "player_2") else "you, if you like"
        key = name.removesuffix("_cm").removesuffix("_1").removesuffix("_2")
        shown = _EXAMPLES.get({"serves_first": "player", "in_full": "player"}.get(key, key), "")
        if name == "player_2":
            shown = "Hazel"
        rows.append((MATCH_DETAILS, name, filled, DETAIL_WORDS[name], hands, shown))
    return rows
