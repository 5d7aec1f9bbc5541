"""The session.toml that a new session starts with: every key, explained, with its default."""

from string import Template

TEMPLATE = Template("""\
# What is tested, and where. Lengths are in mm whatever `units` says; lines that start with # are notes, or
# keys with nothing set. The README of railread explains every measurement; a ruler is enough for all of them.

[session]
name = "$name"
units = "inch"              # how lengths are shown: "inch" or "mm"

[table]
size = "9ft"                # "7ft", "8ft", "9ft", "carom" or "snooker"; for any other table give, instead of size,
# width_mm = 1270           #   the playing surface from cushion nose to cushion nose, across
# length_mm = 2540          #   and along
# rail_top_mm = 42          # height of the rail top above the cloth, where you have measured it
# sight_setback_mm = 93.66  # from the cushion nose to the middle of a sight, where you have measured it

[ball]
diameter_mm = 57.15         # of the cue ball
mass_g = 165                # of the cue ball; only the effective end mass of a cue depends on it

[lane]
sight = 1                   # the foot-rail sight aimed at, counted from the shooter's left: 1, 2 or 3
spot_mm = 762               # middle of the cue ball on its spot, from the head-rail cushion nose
tip_offset_of = "contact"   # what tip_offset_mm says: "contact", where the tip touches the ball, or "axis", where
                            #   the middle of the cue points: a domed tip touches the ball nearer its centre
# tip_offset_sd_mm = 1      # how far the tip may be from where it was set (one standard deviation): in the
                            #   intervals of squirt, end mass, pivot lengths and deflection
# tip_radius_mm = 8         # radius of the tip's dome, if you measured it: for "axis", and where the cue is seen

[scale]
unit = "inch"               # of the numbers printed on the rail scale: "inch", "cm" or "mm"
# setback_mm = 93.66        # from the foot-rail cushion nose to the scale's reading line; default: the sights
# printed_100_mm = 100      # measured length of the bar of 100 mm on the printed sheet: a wrong print is corrected
# zero_mm = 0               # where the scale's zero lies, from the line of aim, to the shooter's right

[camera]
# capture_fps = 240         # set it only where the file plays slower than it was recorded (slow motion)
# readout_ms = 16           # time that the camera takes from the first row of a picture to the last, where you know
                            #   it; not set: not known, and the results carry that doubt
# global_shutter = true     # only for a camera that takes all rows at once, or puts them right itself, and
# global_shutter_camera = "make and model"   # which camera that is: not named, it is half believed

# One block for each cue, shaft or tip. Shots with role = "control" (centre ball, no tip offset) set the zero of
# each shooter: squirt is counted from there.

[[condition]]
name = "control"
role = "control"            # "test" or "control"
tip_offset_mm = 0           # how far the tip is from the ball's centre line; to the shooter's right is positive

[[condition]]
name = "A"
role = "test"
tip_offset_mm = 14.3
# tip_radius_mm = 9         # radius of this tip's dome, where it is not the lane's
# factors = { shaft = "N", taper = "long" }   # what it is made of: "does the taper matter, whatever the shaft?"
# values = { ferrule_mm = 12.0 }              # numbers in which conditions differ, for a trend per unit

[[condition]]
name = "B"
role = "test"
tip_offset_mm = 14.3

[analysis]                  # the rules; state them before you see the shots
keep = "all"                # "all", "drop_failed", or "closest": only the closest_k most alike of each group
closest_k = 3
# margin_mm = 6             # a difference on the rail scale smaller than this does not matter to you
confidence = 0.95           # of the intervals
# reference = "A"           # the condition that the others are compared with
# squirt = "cue"            # squirt that is compared: from the "lane", or from the "cue" as the picture shows it;
                            #   not set: the one that is better known for one shot, and the report says which
""")


def config_text(name: str) -> str:
    """Return the text of a new session.toml for a session of this name."""
    return TEMPLATE.substitute(name=name.replace("\\", "\\\\").replace('"', '\\"'))
