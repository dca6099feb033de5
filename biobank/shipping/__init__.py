"""Shipments: what goes, on which way, kept cold by what, packed and marked how, and when it must leave."""
