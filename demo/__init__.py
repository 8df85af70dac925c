"""Scenario files of the demo; installed as `promtrack.scene.scenarios`."""
