"""Crews: what their work looks like at the final inspection."""
