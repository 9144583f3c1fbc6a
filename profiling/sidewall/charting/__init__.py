"""Charting a match in the notebook: a court to click on, keys for the rest, and the video.

`widget.ChartMatch` is the door, and needs packages that the rest does not. Everything it decides is
in modules that know no browser: the table and its undo (`table`, `session`), what is kept on disk
(`store`), the reader's checks (`rows`) and the keys (`keys`).
"""
