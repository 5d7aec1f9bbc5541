"""Stage 2: from a recording and a calibration to the ball's path in the image."""
