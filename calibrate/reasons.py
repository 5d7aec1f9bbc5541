"""Why something of this stage could not be had: every reason, defined once."""

from calibrate.errors import Reason

MARK_FAINT = Reason(
    "mark-faint",
    "The mark hardly stands out from what is around it.",
    "Nothing, if the click is good; else light the table better or use a marker that stands out.",
)
MARK_FAR = Reason(
    "mark-far",
    "What looks like the mark lies too far from the click.",
    "Click again, with the picture enlarged.",
)
MARK_COVERED = Reason(
    "mark-covered",
    "The mark looks partly covered, or is no mark of this kind.",
    "Uncover it, or leave the mark out.",
)
MARK_AT_BORDER = Reason(
    "mark-at-border",
    "The mark touches the border of the picture.",
    "Leave the mark out, or move the camera so that it is well inside the picture.",
)
PICTURE_UNLIKE = Reason(
    "picture-unlike",
    "The clip's picture does not match the one that was calibrated.",
    "If the camera was moved, calibrate this clip as a place of its own: railread calibrate DIR --place NAME "
    "--frame CLIP; then measure again.",
)
SETTING_UNLIKE = Reason(
    "setting-unlike",
    "A number in session.toml does not fit what the marks show.",
    "Measure that number again and correct it, or click the marks anew if it is right; then measure again.",
)
MARKS_UNTIDY = Reason(
    "marks-untidy",
    "The marks do not fit together as well as clicks do.",
    "Check the numbers of [table], [lane] and [scale] in session.toml, and click the marks again.",
)
SCALE_ZERO = Reason(
    "scale-zero",
    "The zero of the scale does not lie where it was meant to.",
    "Look whether the ticks were clicked under their right numbers; if it does lie so, say it in scale.zero_mm.",
)
REASONS = (
    MARK_FAINT,
    MARK_FAR,
    MARK_COVERED,
    MARK_AT_BORDER,
    PICTURE_UNLIKE,
    SETTING_UNLIKE,
    MARKS_UNTIDY,
    SCALE_ZERO,
)
