"""An accepted job on its way: stages, papers, files."""
