#include "offline/commands/commands.h"
#include "offline/commands/print.h"
#include "offline/util/progress.h"
#include <nlohmann/json.hpp>

namespace kitfold::offline {

Exit demo_command(const DemoOptions& options) {
    DemoSummary summary;
    {
        Progress progress("demo");
        summary = write_demo(options.request, [&](double share) { progress.show(share); });
    }
    if (options.json)
        print_json(demo_json(options.request, summary), Answer::about_files);
    else
        print(demo_text(options.request, summary), Answer::about_files);
    return Exit::done;
}

} // namespace kitfold::offline
