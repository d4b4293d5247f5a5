"""An accepted job on its way: stages, papers, payments, files, handing over."""
