"""Floor 1: frames of named planes, windows, cameras, depth kinds, colour spaces and EXR files. No optics."""
