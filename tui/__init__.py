"""The terminal screens. They draw snapshots; they compute nothing about circuits."""
