"""Stage 3, sheets: Design in, paper, waypoints and blank forms out."""
