"""From recordings to stored shots: one clip, many at a time, all of a session together."""
