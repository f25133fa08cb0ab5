#include "offline/live/verdict.h"
#include "offline/check/console.h"
#include "offline/check/words.h"
#include "offline/util/atomic_file.h"
#include "offline/util/errors.h"
#include <algorithm>
#include <chrono>
#include <fmt/format.h>
#include <sys/resource.h>
#include <unistd.h>

namespace kitfold::offline {
namespace {

TakeVerdict judge(const std::filesystem::path& take) {
    (void)::setpriority(PRIO_PROCESS, static_cast<id_t>(::gettid()),
                        19); // of this thread and those it starts
    TakeVerdict out{take, {}, {}};
    const auto name = take.filename().string();
    try {
        const auto result = check(load_session(take));
        write_whole_file(take / "check.txt", check_text(result, Telling::details));
        const auto all = verdicts(result);
        const auto first =
            std::find_if(all.begin(), all.end(), [](const auto& v) { return v.weight == Weight::fix; });
        const auto fixes =
            std::count_if(all.begin(), all.end(), [](const auto& v) { return v.weight == Weight::fix; });
        out.line = first == all.end() ? name + ": nothing to fix"
                                      : fmt::format("{}: {} to fix, see {}; first: {}", name, fixes,
                                                    (take / "check.txt").string(), first->text);
        out.result = result;
    } catch (const Error& error) {
        out.line = fmt::format("{}: can't be checked: {}", name, error.what());
    }
    return out;
}

} // namespace

std::optional<TakeVerdict> TakeChecks::next(bool patient) {
    using namespace std::chrono_literals;
    if (!running_.valid() && waiting_.empty()) return std::nullopt;
    if (!running_.valid()) {
        running_ = std::async(std::launch::async, judge, waiting_.front());
        waiting_.pop_front();
    }
    if (!patient && running_.wait_for(0s) != std::future_status::ready) return std::nullopt;
    return running_.get();
}

} // namespace kitfold::offline
