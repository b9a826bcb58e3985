// The command line as a whole. Thread: the main thread.
#pragma once
namespace lapwright::cli {
int main(int argc, char** argv);
}
