#include "cli/main.h"

int main(int argc, char** argv) { return lapwright::cli::main(argc, argv); }
