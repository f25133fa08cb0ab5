#include "offline/util/digest.h"
#include <fmt/format.h>
#include <fstream>
#include <new>
#include <vector>
#include <xxhash.h>

namespace kitfold::offline {

struct Xxh128::Impl {
    XXH3_state_t* state = XXH3_createState();
    Impl() {
        if (state == nullptr || XXH3_128bits_reset(state) != XXH_OK) throw std::bad_alloc();
    }
    Impl(const Impl&) = delete;
    Impl& operator=(const Impl&) = delete;
    ~Impl() { XXH3_freeState(state); }
};

Xxh128::Xxh128() : impl_(std::make_unique<Impl>()) {}
Xxh128::~Xxh128() = default;
Xxh128::Xxh128(Xxh128&&) noexcept = default;
Xxh128& Xxh128::operator=(Xxh128&&) noexcept = default;

void Xxh128::add(const void* bytes, std::size_t count) { XXH3_128bits_update(impl_->state, bytes, count); }

std::string Xxh128::hex() const {
    const XXH128_hash_t sum = XXH3_128bits_digest(impl_->state);
    return fmt::format("{:016x}{:016x}", sum.high64, sum.low64);
}

std::string xxh128_of(std::string_view text) {
    Xxh128 sum;
    sum.add(text.data(), text.size());
    return sum.hex();
}

std::string xxh128_of_file(const std::filesystem::path& path) {
    std::ifstream file(path, std::ios::binary);
    Xxh128 sum;
    std::vector<char> bytes(1 << 20);
    while (file) {
        file.read(bytes.data(), std::streamsize(bytes.size()));
        sum.add(bytes.data(), std::size_t(file.gcount()));
    }
    return file.eof() ? sum.hex() : std::string();
}

} // namespace kitfold::offline
