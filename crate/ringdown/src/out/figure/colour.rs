//! Schemes (paper, sun, print), the Okabe-Ito set and the colour map.
