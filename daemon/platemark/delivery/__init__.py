"""Hands a closed parcel over and verifies it at the other end."""
