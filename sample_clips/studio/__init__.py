"""A small studio that draws made-up hands at work, with every keypoint known exactly."""
