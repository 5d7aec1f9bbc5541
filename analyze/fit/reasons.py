"""Why a path gave no numbers, or numbers worth a look: every reason of this stage, defined once."""

from calibrate.errors import Reason

TOO_FEW_SIGHTINGS = Reason(
    "too-few-sightings",
    "The ball was seen in too few frames between strike and foot rail.",
    "Record at a higher frame rate or shoot slower; look whether something covers the lane.",
)
NO_FIT = Reason(
    "no-fit",
    "No motion of a sliding and rolling ball runs through the places where the ball was seen.",
    "Look at the drawn path: most likely something else was followed instead of the ball.",
)
RAIL_NOT_REACHED = Reason(
    "rail-not-reached",
    "The ball stopped or turned before the foot rail.",
    "Shoot again, harder; nothing may stand in the lane.",
)
NO_REST = Reason(
    "no-rest",
    "The start of the path does not fit the place where the ball rested.",
    "Look at the first frames: the ball may have been touched or placed anew before the strike.",
)
FAR_FROM_RAIL = Reason(
    "far-from-rail",
    "The ball was last seen far from the foot rail, so the reading is a long extrapolation.",
    "Look whether the frame shows the foot rail and nothing covers the last part of the lane.",
)
FAR_FROM_SPOT = Reason(
    "far-from-spot",
    "The ball was first seen far from its spot, so launch, swerve and speed are long extrapolations.",
    "Look whether a hand, the cue or glare covers the first part of the lane, and whether the recording plays "
    "without a jump.",
)
KINK = Reason(
    "kink",
    "The path has a kink: the ball touched another ball or something on the cloth.",
    "Set the shot aside, clear the lane and shoot again.",
)
HOP = Reason(
    "hop",
    "The ball left the cloth after the strike: the cue came down too steeply.",
    "Hold the cue flatter; launch angle and swerve of this shot are less sure than stated.",
)
PATTERN = Reason(
    "pattern",
    "What the fit leaves over is a pattern and not noise.",
    "Look at the drawn path; check the calibration, and readout_ms and capture_fps in session.toml.",
)
POOR_FIT = Reason(
    "poor-fit",
    "The ball was seen farther from the fitted path than its location error explains.",
    "Look at the drawn path; check the calibration, and readout_ms and capture_fps in session.toml.",
)
UNEVEN_TIMES = Reason(
    "uneven-times",
    "The times that the file gives its frames do not fit the motion of the ball.",
    "Copy the recording from the phone again, as it is: what converts or trims recordings may write wrong times.",
)
OUTLIERS = Reason(
    "outliers",
    "Many sightings lie off the path and were not used.",
    "Look at the drawn path: something else may have been taken for the ball in these frames.",
)
ODD_SPEED = Reason(
    "odd-speed",
    "The speed is not one at which a cue ball is played.",
    "Check capture_fps in session.toml and the calibration.",
)
WRONG_CLOCK = Reason(
    "wrong-clock",
    "The clock of the recording cannot be right: friction would be of a size that no cloth has, or strike and "
    "cushion are heard at other times.",
    "Set capture_fps in session.toml to the rate at which the camera recorded, and measure again.",
)
CLOCK_UNSURE = Reason(
    "clock-unsure",
    "The ball rolled from the strike on, or it slid all the way and the file plays several times too slowly.",
    "Check capture_fps in session.toml. Two shots of the session whose slide is seen to end settle it, or sound in "
    "which strike and cushion are heard.",
)
READOUT_UNLIKE = Reason(
    "readout-unlike",
    "The sound of strike and cushion contradicts the stated readout time: speeds are wrong by a per cent or two.",
    "Correct camera.readout_ms in session.toml, or take camera.global_shutter = true away; leave both out where "
    "you do not know.",
)
HEARD_OTHERWISE = Reason(
    "heard-otherwise",
    "Strike and cushion are heard at another distance in time than the path of the ball says.",
    "Look at the drawn path, and check capture_fps and camera.readout_ms in session.toml. If it is one shot of "
    "many, something else was heard.",
)
IMPRECISE = Reason(
    "imprecise",
    "The reading is too uncertain to be of use.",
    "Look at the budget of the shot: more frames, a closer camera or better marks are needed.",
)
OFF_SPOT = Reason(
    "off-spot",
    "The ball did not rest where session.toml says that its spot is.",
    "Check lane.spot_mm, table.rail_top_mm and the marks, and that the ball was put on its spot.",
)
BALL_SIZE = Reason(
    "ball-size",
    "The ball looks larger or smaller than session.toml says.",
    "Measure the ball, and correct ball.diameter_mm, or table.size if that is what is wrong.",
)
DARK_PATCH = Reason(
    "dark-patch",
    "The ball has a large dark patch and is smeared over a long exposure: it may have been seen beside its path.",
    "Shoot with a plain or dotted ball, or light the table so that the camera exposes for a shorter time.",
)
MOVED_IN_SHOT = Reason(
    "moved-in-shot",
    "The camera moved during the shot.",
    "Set the shot aside and shoot again; fix the stand and touch neither it nor the phone while the ball rolls.",
)
NO_PLACE = Reason(
    "no-place",
    "The clip shows none of the camera places that were calibrated.",
    "Calibrate the place where it was recorded: railread calibrate DIR --place NAME --frame CLIP; then measure "
    "again.",
)
PLACE_UNSURE = Reason(
    "place-unsure",
    "The clip fits two camera places whose calibrations contradict each other.",
    "Calibrate one of the two anew, or take its folder in places/ away, and measure again.",
)
SETTINGS_CHANGED = Reason(
    "settings-changed",
    "The clip was measured with other marks or settings than those of today, or by an older railread.",
    "Measure again: railread measure DIR.",
)
MEASURING_BROKE_OFF = Reason(
    "measuring-broke-off",
    "The program itself failed on this clip.",
    "Measure again; if it stays, report the clip and the detail, since this is a fault of railread.",
)
CUE_TOWARDS_CAMERA = Reason(
    "cue-along-view",
    "From this camera place the line of the cue in the picture tells neither its direction nor its slope.",
    "Nothing, unless the cue is to be seen: put the camera near the plane of the lane and well above the table.",
)
CUE_AGAINST_BALL = Reason(
    "cue-against-ball",
    "What looks like the cue cannot have sent the ball where it went.",
    "Nothing, unless the cue is to be seen: keep other sticks out of the picture behind the ball, and light the "
    "cue.",
)
REASONS = (
    TOO_FEW_SIGHTINGS,
    NO_FIT,
    RAIL_NOT_REACHED,
    NO_REST,
    FAR_FROM_RAIL,
    FAR_FROM_SPOT,
    KINK,
    HOP,
    PATTERN,
    POOR_FIT,
    UNEVEN_TIMES,
    OUTLIERS,
    ODD_SPEED,
    WRONG_CLOCK,
    CLOCK_UNSURE,
    READOUT_UNLIKE,
    HEARD_OTHERWISE,
    IMPRECISE,
    OFF_SPOT,
    BALL_SIZE,
    DARK_PATCH,
    CUE_TOWARDS_CAMERA,
    CUE_AGAINST_BALL,
    MOVED_IN_SHOT,
    NO_PLACE,
    PLACE_UNSURE,
    SETTINGS_CHANGED,
    MEASURING_BROKE_OFF,
)
