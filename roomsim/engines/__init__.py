"""The engines: wave, images, rays, and how they join."""
