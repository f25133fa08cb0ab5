// Where there is no fuzzer: runs a target over the files of a folder. What is wrong ends the program.
#include "fuzz/target.h"
#include <cstdio>
#include <fstream>
#include <iterator>

int main(int argc, char** argv) {
    namespace fs = std::filesystem;
    std::size_t count = 0;
    for (int n = 1; n < argc; ++n)
        for (const auto& entry : fs::directory_iterator(argv[n])) {
            std::ifstream file(entry.path(), std::ios::binary);
            const std::string bytes{std::istreambuf_iterator<char>(file), {}};
            std::fprintf(stderr, "%s\n", entry.path().filename().c_str());
            LLVMFuzzerTestOneInput(reinterpret_cast<const std::uint8_t*>(bytes.data()), bytes.size());
            ++count;
        }
    std::fprintf(stderr, "%zu inputs\n", count);
    return count > 0 ? 0 : 1;
}
