"""From a ball's path to a shot: motion, fit, reading, launch, swerve, each with its uncertainty."""
