"""Acoustic states of a room: their decay, and the solver that meets a wanted one."""
