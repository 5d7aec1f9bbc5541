"""Stage 1: from clicked marks to a camera and a rail scale, with their joint covariance."""
