"""Floor 1: pure functions and frozen values of ocean optics. No images, files or presets."""
