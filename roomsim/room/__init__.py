"""The room: geometry, materials, absorbers, furnishing, statistics, sizes."""
