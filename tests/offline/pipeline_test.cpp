#include "offline/bounce/pipeline.h"
#include <atomic>
#include <catch2/catch.hpp>
#include <numeric>
#include <stdexcept>
#include <string>

using kitfold::offline::run_pipeline;

namespace {

struct Numbered {
    int number = 0, touched = 0;
};
using Worker = std::function<void(Numbered&)>;

/// Sends `count` blocks along three workers; `at` is told of each number and station (the last is 3).
void send(std::size_t blocks, int count, const std::function<void(int number, int station)>& at) {
    std::vector<Numbered> round(blocks);
    int filled = 0;
    const auto fill = [&](Numbered& block) {
        if (filled == count) return false;
        block = {filled++, 0};
        at(block.number, 0);
        return true;
    };
    std::atomic<int> misplaced = 0; // assertions are for one thread at a time
    std::vector<Worker> workers;
    for (int station = 1; station <= 3; ++station)
        workers.emplace_back([&, station](Numbered& block) {
            misplaced += ++block.touched != station;
            at(block.number, station);
        });
    run_pipeline<Numbered>(round, fill, workers);
    CHECK(misplaced == 0);
}

} // namespace

TEST_CASE("every block passes every station, in order, however few go round", "[offline]") {
    const auto blocks = GENERATE(as<std::size_t>{}, 1, 2, 8);
    std::vector<std::vector<int>> seen(4);
    send(blocks, 1'000,
         [&](int number, int station) { seen[static_cast<std::size_t>(station)].push_back(number); });
    std::vector<int> all(1'000);
    std::iota(all.begin(), all.end(), 0);
    for (const auto& numbers : seen) CHECK(numbers == all);
}

TEST_CASE("nothing to do is done at once", "[offline]") {
    int told = 0;
    send(8, 0, [&](int, int) { ++told; });
    CHECK(told == 0);
}

TEST_CASE("what a station throws stops the line and comes out", "[offline]") {
    const int thrower = GENERATE(0, 1, 2, 3);
    int last = 0;
    const auto at = [&](int number, int station) {
        if (station != thrower) return;
        last = number;
        if (number == 20) throw std::runtime_error("station " + std::to_string(thrower));
    };
    CHECK_THROWS_WITH(send(4, 1'000, at), "station " + std::to_string(thrower));
    CHECK(last == 20);
}
