"""The demo: the whole job on the invented course of layers/."""
