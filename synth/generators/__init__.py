"""What is computed once and kept beside the stage files: run ``python -m synth.generators``.

Nothing here is typed by hand.  Each answer is kept with the content it was computed from, so that
one that no longer belongs to its stage is not shown, and a test computes a sample again.
"""
