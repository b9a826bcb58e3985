// The bed worker alone, as the lapwright binary serves it.
#include "bed/bed.h"

int main() { return lapwright::bed::worker_main(3, 4); }
