"""Every document that crosses a boundary: its shape has its one owner here. Imports nothing of `service`."""
