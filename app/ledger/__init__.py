"""The house's records in rooms, each asking only those beneath it: `tools/folder_graph.py` prints the order."""
