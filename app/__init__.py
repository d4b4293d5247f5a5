"""Bittern: quotes, decides, keys, prints and tracks rekey and cylinder jobs."""
