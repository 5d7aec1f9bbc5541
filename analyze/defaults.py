"""What the verbs take unless they are told, apart from what uses it: help shows it and loads nothing else."""

WANTED_POWER = 0.80  # Cohen 1992, Psychol. Bull. 112, 155
TESTS = 400  # simulated for each power: a share of 0.8 is then known to 4 points
CONTROLS = 4  # of a shooter's block; common practice, no source
SLOWDOWN = 4.0  # a shot takes about a second, which is too fast to follow with the eye
