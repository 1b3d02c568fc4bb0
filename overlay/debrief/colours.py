"""Colours of the page by the part they play: Okabe and Ito's set (2008), told apart with any kind of colour vision.

Nothing is told by hue alone: lines differ in their dashes, break-ups are hatched, bad grades are drawn thicker.
"""

INK, QUIET, HAIRLINE, PAPER = "#1b2126", "#59636d", "#c9d0d6", "#ffffff"
BLUE, SKY, GREEN, ORANGE, VERMILION, PURPLE = "#0072B2", "#56B4E9", "#009E73", "#E69F00", "#D55E00", "#CC79A7"

# Impairment grades 1 … 5, gravest first, with the width of the path drawn in them.
GRADES = {1: (VERMILION, 6.0), 2: (ORANGE, 5.0), 3: ("#8A8F94", 3.5), 4: (SKY, 2.5), 5: (BLUE, 2.0)}
UNGRADED = ("#8A8F94", 1.2)
LEGS = {"out": "#e3f0f8", "home": "#fbf0dc", "loiter": "#efe9ef", "take-off": "#f0f2f3", "landing": "#f0f2f3"}
