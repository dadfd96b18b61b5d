//! Experimental designs and their randomisation.
