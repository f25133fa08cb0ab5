#pragma once
// A line of workers, each on its own thread, that hand blocks on to one another. The blocks are few and go
// round, so memory is bounded and a slow worker holds up the others.
#include <condition_variable>
#include <deque>
#include <exception>
#include <functional>
#include <mutex>
#include <thread>
#include <vector>

namespace kitfold::offline {

/// A queue between two workers. nullptr means that there is no more.
template <class Block> class BlockQueue {
public:
    void push(Block* block) {
        {
            const std::lock_guard lock(mutex_);
            waiting_.push_back(block);
        }
        changed_.notify_one();
    }
    Block* pop() {
        std::unique_lock lock(mutex_);
        changed_.wait(lock, [&] { return closed_ || !waiting_.empty(); });
        if (waiting_.empty()) return nullptr;
        Block* const block = waiting_.front();
        waiting_.pop_front();
        return block;
    }
    void close(bool drop_waiting = false) {
        {
            const std::lock_guard lock(mutex_);
            closed_ = true;
            if (drop_waiting) waiting_.clear();
        }
        changed_.notify_all();
    }

private:
    std::mutex mutex_;
    std::condition_variable changed_;
    std::deque<Block*> waiting_;
    bool closed_ = false;
};

/// Calls `fill` for blocks until it returns false, then every worker in turn for each filled block, in order.
/// Each runs on a thread of its own; the last one runs on the caller's. Returns when all is done. The first
/// exception that one of them throws stops the line and is thrown here.
template <class Block> void run_pipeline(std::vector<Block>& blocks, const std::function<bool(Block&)>& fill,
                                         const std::vector<std::function<void(Block&)>>& workers) {
    std::vector<BlockQueue<Block>> queues(workers.size() +
                                          1); // queues[w] feeds worker w; the last holds the free blocks
    BlockQueue<Block>& free = queues.back();
    for (Block& block : blocks) free.push(&block);
    std::mutex mutex;
    std::exception_ptr first;
    const auto guarded = [&](const std::function<void()>& work) {
        try {
            work();
        } catch (...) {
            {
                const std::lock_guard lock(mutex);
                if (!first) first = std::current_exception();
            }
            for (auto& queue : queues) queue.close(true);
        }
    };
    const auto fill_all = [&] {
        while (Block* block = free.pop())
            if (fill(*block))
                queues.front().push(block);
            else
                break;
        queues.front().close();
    };
    const auto serve = [&](std::size_t worker) {
        while (Block* block = queues[worker].pop()) {
            workers[worker](*block);
            queues[worker + 1].push(block);
        }
        if (worker + 1 < workers.size()) queues[worker + 1].close();
    };
    {
        std::vector<std::jthread> threads;
        threads.emplace_back([&] { guarded(fill_all); });
        for (std::size_t w = 0; w + 1 < workers.size(); ++w)
            threads.emplace_back([&, w] { guarded([&, w] { serve(w); }); });
        guarded([&] { serve(workers.size() - 1); });
    }
    if (first) std::rethrow_exception(first);
}

} // namespace kitfold::offline
