"""What shots say of the cue: squirt, end mass, pivot length."""
