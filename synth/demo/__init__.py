"""Demo decks: the analog front end of a small weather buoy."""
