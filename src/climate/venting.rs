//! Opening up, adding water and heating: what each does to the air of a room.
