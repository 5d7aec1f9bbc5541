"""Stage 3: from paths to answers: reading, squirt, swerve, speed; then statistics, plan and report."""
