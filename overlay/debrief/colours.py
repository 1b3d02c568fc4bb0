"""Colours of the page by the part they play: the hues of Okabe and Ito (2008), told apart with any colour vision.

They are darkened to stand 3 to 1 on paper and on the tints of the legs (WCAG 2.2, 1.4.11).

Nothing is told by hue alone: lines differ in their dashes, break-ups are hatched, bad grades are drawn thicker.
"""

INK, QUIET, HAIRLINE, PAPER = "#1b2126", "#59636d", "#c9d0d6", "#ffffff"
BLUE, SKY, GREEN, ORANGE, VERMILION, PURPLE = "#0072B2", "#2A8CC7", "#008F68", "#B97700", "#D55E00", "#B9588F"

# Words drawn in a figure.
LETTERING = {
    "text_font": {"value": "sans-serif"},
    "text_font_size": "12px",
    "text_color": INK,
}

# Impairment grades 1 … 5, gravest first, with the width of the path drawn in them.
GRADES = {1: (VERMILION, 6.0), 2: (ORANGE, 5.0), 3: ("#7F858A", 3.5), 4: (SKY, 2.5), 5: (BLUE, 2.0)}
UNGRADED = ("#7F858A", 1.2)
LEGS = {"out": "#e3f0f8", "home": "#fbf0dc", "loiter": "#efe9ef", "take-off": "#f0f2f3", "landing": "#f0f2f3"}
