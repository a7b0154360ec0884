"""Checks of the room that reads logs and lays them beside a job."""
