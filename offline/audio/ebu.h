#pragma once
// A measurement of libebur128, ended when its owner goes.
#include <cstddef>
#include <ebur128.h>
#include <memory>
#include <new>
#include <span>

namespace kitfold::offline {

class Ebu {
public:
    /// @param mode EBUR128_MODE_…. Throws std::bad_alloc.
    Ebu(std::size_t channels, int rate_hz, int mode)
        : state_(ebur128_init(unsigned(channels), static_cast<unsigned long>(rate_hz), mode)) {
        if (!state_) throw std::bad_alloc();
    }
    void add(std::span<const float> interleaved) { ///< whole frames
        if (ebur128_add_frames_float(get(), interleaved.data(), interleaved.size() / state_->channels) !=
            EBUR128_SUCCESS)
            throw std::bad_alloc();
    }
    [[nodiscard]] ebur128_state* get() const noexcept { return state_.get(); }

private:
    struct End {
        void operator()(ebur128_state* state) const noexcept { ebur128_destroy(&state); }
    };
    std::unique_ptr<ebur128_state, End> state_;
};

} // namespace kitfold::offline
