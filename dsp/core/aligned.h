#pragma once
// Memory that begins at a cache line: a row of 16 floats is then one line, and a vector register stored there
// is read back without waiting for two.
#include <cstddef>
#include <new>
#include <vector>

namespace kitfold::dsp {

template <class T> struct LineAllocator {
    using value_type = T;
    static constexpr std::align_val_t kLine{64};
    LineAllocator() = default;
    template <class U> LineAllocator(const LineAllocator<U>&) noexcept {}
    [[nodiscard]] T* allocate(std::size_t count) {
        return static_cast<T*>(::operator new(count * sizeof(T), kLine));
    }
    void deallocate(T* memory, std::size_t) noexcept { ::operator delete(memory, kLine); }
    friend bool operator==(const LineAllocator&, const LineAllocator&) noexcept { return true; }
};

using LineVector = std::vector<float, LineAllocator<float>>;

} // namespace kitfold::dsp
