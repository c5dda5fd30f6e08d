"""Poles and zeros of low-pass prototypes, each by the method that keeps double precision."""
