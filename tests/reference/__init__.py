"""An independent integrator: the equations of band migration marched in time."""
