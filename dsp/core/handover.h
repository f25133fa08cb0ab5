#pragma once
// Something larger than numbers for the audio thread.
#include <atomic>
#include <memory>

namespace kitfold::dsp {

/// The newest object that another thread gave, for the audio thread, which never waits, allocates or frees:
/// what it has done with lies ready until the next give() removes it.
template <class T> class Handover {
public:
    Handover() = default;
    ~Handover() { delete next_.load(), delete spent_.load(), delete present_; }
    Handover(const Handover&) = delete;
    Handover& operator=(const Handover&) = delete;

    /// Any thread but the audio thread, one at a time.
    void give(std::unique_ptr<const T> news) noexcept {
        delete next_.exchange(news.release());
        delete spent_.exchange(nullptr); // after that: now there is room for what take() puts away
    }
    /// Audio thread: nullptr when there is nothing new. Otherwise what came of the call before may be gone.
    [[nodiscard]] const T* take() noexcept {
        if (!has_news() || spent_.load() != nullptr) return nullptr;
        const T* news = next_.exchange(nullptr);
        spent_.store(present_);
        return present_ = news;
    }

    /// Audio thread. After take() there may be news still, for a later call.
    [[nodiscard]] bool has_news() const noexcept { return next_.load(std::memory_order_relaxed) != nullptr; }

private:
    std::atomic<const T*> next_{nullptr}, spent_{nullptr};
    const T* present_ = nullptr; ///< the audio thread's
};

} // namespace kitfold::dsp
