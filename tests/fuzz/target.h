#pragma once
// What the targets share: the call of the fuzzer, a demand that ends the program, bytes as decisions, and a
// file to hand to code that opens files.
#include <cmath>
#include <cstddef>
#include <cstdint>
#include <cstdio>
#include <cstdlib>
#include <filesystem>
#include <string>
#include <string_view>
#include <unistd.h>

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size);

namespace kitfold::test {

inline void demand(bool holds, const char* what) {
    if (holds) return;
    std::fprintf(stderr, "does not hold: %s\n", what);
    std::abort();
}

/// The input as a row of decisions; all of them 0 once it has ended.
class Bytes {
public:
    Bytes(const std::uint8_t* data, std::size_t size) : data_(data), left_(size) {}
    [[nodiscard]] bool empty() const { return left_ == 0; }
    std::uint8_t byte() {
        if (left_ == 0) return 0;
        --left_;
        return *data_++;
    }
    std::uint32_t word() {
        std::uint32_t out = 0;
        for (int n = 0; n < 4; ++n) out = out << 8 | byte();
        return out;
    }
    std::size_t below(std::size_t end) { return byte() % end; }
    double share() { return byte() / 255.0; }
    std::string_view rest() {
        const std::string_view out(reinterpret_cast<const char*>(data_), left_);
        left_ = 0;
        return out;
    }

private:
    const std::uint8_t* data_;
    std::size_t left_;
};

/// A folder for the whole run, in memory where that can be had.
inline const std::filesystem::path& scratch() {
    static const std::filesystem::path folder = [] {
        namespace fs = std::filesystem;
        const fs::path base = fs::is_directory("/dev/shm") ? fs::path("/dev/shm") : fs::temp_directory_path();
        auto name = (base / "kitfold-fuzz-XXXXXX").string();
        demand(::mkdtemp(name.data()) != nullptr, "a folder for files");
        std::atexit([] {
            std::error_code ignored;
            fs::remove_all(scratch(), ignored);
        });
        return fs::path(name);
    }();
    return folder;
}

inline std::filesystem::path scratch_file(const char* name, std::string_view bytes) {
    const auto path = scratch() / name;
    std::FILE* file = std::fopen(path.c_str(), "wb");
    demand(file != nullptr, "a file to write");
    demand(std::fwrite(bytes.data(), 1, bytes.size(), file) == bytes.size(), "room for a file");
    std::fclose(file);
    return path;
}

} // namespace kitfold::test
