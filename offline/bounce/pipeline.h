#pragma once
// A line of stations that blocks pass one after the other, worked by as many threads as there are cores.
// The blocks are few and go round, so memory is bounded and a slow station holds up the others.
#include <algorithm>
#include <condition_variable>
#include <cstddef>
#include <deque>
#include <exception>
#include <functional>
#include <mutex>
#include <optional>
#include <thread>
#include <vector>

namespace kitfold::offline {

/// One run of the line. A thread that is free serves the station nearest the end that has a block and nobody
/// at it: no thread belongs to a station, so none sleeps while there is something to do, and a block mostly
/// stays with the thread whose cache holds it.
template <class Block> class Line {
public:
    Line(std::vector<Block>& blocks, const std::function<bool(Block&)>& fill,
         const std::vector<std::function<void(Block&)>>& workers)
        : fill_(fill), workers_(workers), stations_(workers.size() + 1) {
        for (Block& block : blocks) stations_.front().waiting.push_back(&block);
    }

    /// Serves stations until all is done or something was thrown.
    void serve() {
        std::unique_lock lock(mutex_);
        while (!done()) {
            if (const auto station = ready())
                serve(*station, lock);
            else
                changed_.wait(lock);
        }
        changed_.notify_all();
    }

    void rethrow() const {
        if (first_) std::rethrow_exception(first_);
    }

private:
    struct Station {
        std::deque<Block*> waiting; ///< at the first: the empty ones
        bool busy = false;
    };

    [[nodiscard]] bool done() const {
        return first_ ||
               (filled_ && std::all_of(stations_.begin() + 1, stations_.end(),
                                       [](const Station& s) { return s.waiting.empty() && !s.busy; }));
    }

    [[nodiscard]] std::optional<std::size_t> ready() const {
        for (std::size_t s = stations_.size(); s-- > (filled_ ? 1 : 0);)
            if (!stations_[s].busy && !stations_[s].waiting.empty()) return s;
        return std::nullopt;
    }

    void serve(std::size_t s, std::unique_lock<std::mutex>& lock) {
        Station& here = stations_[s];
        Block* const block = here.waiting.front();
        here.waiting.pop_front();
        here.busy = true;
        if (ready()) changed_.notify_one();
        lock.unlock();
        bool more = true;
        std::exception_ptr thrown;
        try {
            if (s > 0)
                workers_[s - 1](*block);
            else
                more = fill_(*block);
        } catch (...) {
            thrown = std::current_exception();
        }
        lock.lock();
        here.busy = false;
        if (thrown && !first_) first_ = thrown;
        if (more)
            stations_[(s + 1) % stations_.size()].waiting.push_back(block);
        else
            filled_ = true;
    }

    const std::function<bool(Block&)>& fill_;
    const std::vector<std::function<void(Block&)>>& workers_;
    std::vector<Station> stations_; ///< filling, then a worker each
    std::mutex mutex_;
    std::condition_variable changed_;
    bool filled_ = false; ///< `fill` had no more
    std::exception_ptr first_;
};

/// Calls `fill` for blocks until it returns false, then every worker in turn for each filled block, in order,
/// each on one thread at a time, though not always the same one. Returns when all is done. The first
/// exception that one of them throws stops the line and is thrown here.
template <class Block> void run_pipeline(std::vector<Block>& blocks, const std::function<bool(Block&)>& fill,
                                         const std::vector<std::function<void(Block&)>>& workers) {
    Line<Block> line(blocks, fill, workers);
    const std::size_t threads =
        std::clamp<std::size_t>(std::thread::hardware_concurrency(), 1, workers.size() + 1);
    {
        std::vector<std::jthread> others;
        while (others.size() + 1 < threads) others.emplace_back([&] { line.serve(); });
        line.serve();
    }
    line.rethrow();
}

} // namespace kitfold::offline
