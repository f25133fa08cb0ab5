#pragma once
// XXH128 (the 128-bit hash of the XXH3 family, seed 0) of what goes by: tells whether a file is still the
// same one, at the speed of memory. It does not guard against somebody who wants to deceive.
#include <cstddef>
#include <filesystem>
#include <memory>
#include <string>
#include <string_view>

namespace kitfold::offline {

class Xxh128 {
public:
    Xxh128();
    ~Xxh128();
    Xxh128(Xxh128&&) noexcept;
    Xxh128& operator=(Xxh128&&) noexcept;
    void add(const void* bytes, std::size_t count);
    [[nodiscard]] std::string
    hex() const; ///< of everything so far: 32 lower-case digits, as xxh128sum prints them

private:
    struct Impl;
    std::unique_ptr<Impl> impl_;
};

/// The same of a text, at once.
std::string xxh128_of(std::string_view text);
/// The same of a whole file; empty when it can't be read.
std::string xxh128_of_file(const std::filesystem::path& path);

} // namespace kitfold::offline
