"""Stage 8, webmap: everything in the survey in, one page out."""
