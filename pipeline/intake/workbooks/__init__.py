"""Workbooks: unpacked by a process of their own, and their sheets as the text that a layout declares."""
