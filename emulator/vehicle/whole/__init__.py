"""What people say of a whole vehicle: its masses, how it turns steadily, how it runs straight on."""
